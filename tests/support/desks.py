"""A desk as its users start it: the command in a process of its own, on a free port."""

import socket
import subprocess
import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path

import httpx
import uvicorn

from pipeline.desk.app import desk_app
from pipeline.desk.asked import Desk
from tests.support.runs import COMMAND, ROOT


@contextmanager
def desk(out: Path, *arguments: object) -> Iterator[str]:
    """The desk's address, such as http://127.0.0.1:8765, while it runs."""
    command = [*COMMAND, "desk", str(out), "--port", "0", *(str(one) for one in arguments)]
    with subprocess.Popen(command, cwd=ROOT, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True) as process:
        try:
            line = process.stdout.readline()
            assert line.startswith("desk: http://"), line + process.stderr.read()
            yield line.split()[1].rstrip("/")
        finally:
            process.terminate()
            process.wait(timeout=20)


@contextmanager
def desk_here(make: Callable[[str], Desk]) -> Iterator[str]:
    """The address of a desk that this process serves, for what has a clock or a limit of its own.

    `make` gives the desk, of the name that it goes by.
    """
    with socket.create_server(("127.0.0.1", 0)) as listener:
        host = f"127.0.0.1:{listener.getsockname()[1]}"
        config = uvicorn.Config(
            desk_app(make(host)), log_config=None, access_log=False, lifespan="off", ws="none", proxy_headers=False
        )
        server = uvicorn.Server(config)
        thread = threading.Thread(target=server.run, kwargs={"sockets": [listener]})
        thread.start()
        try:
            yield f"http://{host}"
        finally:
            server.should_exit = True
            thread.join(timeout=20)


@contextmanager
def visitor(address: str, page: str = "reading.html") -> Iterator[tuple[httpx.Client, dict[str, str]]]:
    """A client that has opened a page, and the token that the page's forms bring along with their Origin."""
    with httpx.Client(base_url=address, headers={"Origin": address}, timeout=30) as client:
        html = client.get(f"/{page}").text
        token = html.split('name="token" value="')[1].split('"')[0]
        yield client, {"token": token}
