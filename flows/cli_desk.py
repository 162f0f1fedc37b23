"""The commands of the desk: serve a run's pages to people who work its cases, and say who may sign in."""

import argparse
import getpass
import ipaddress
import logging
import re
import socket
import sys
from collections.abc import Callable
from io import TextIOWrapper
from pathlib import Path
from typing import TYPE_CHECKING

from pipeline.errors import ArgumentError

if TYPE_CHECKING:
    from pipeline.desk.guard import SignOn
    from pipeline.desk.settings_file import SettingsFile

Command = Callable[[str, Callable[[argparse.Namespace], None], str], argparse.ArgumentParser]

LOG_FILE = "desk.log"
_ROLES = {
    (False, False): ("", ""),
    (True, False): ("reads", ", read, and say nothing"),
    (False, True): ("sets", ", and change settings"),
}
_LOG_BYTES, _LOG_FILES = 10_000_000, 5


def add_desk_commands(command: Command) -> None:
    """Add the commands to the command line."""
    desk = command("desk", _desk, "serve the report's pages, where cases are taken in hand, noted on and closed")
    add = desk.add_argument
    add("out", type=Path, metavar="OUT", help="folder of a run; OUT/said keeps what is said, OUT/desk.log who did what")
    add("--port", type=int, default=8765, metavar="N", help="port to listen on (8765); 0 takes a free one")
    add("--host", default="127.0.0.1", metavar="ADDRESS", help="address to listen on (127.0.0.1: this machine alone)")
    add("--known-as", action="append", default=[], metavar="HOST[:PORT]", help="a name that browsers know it by")
    add("--users", type=Path, metavar="FILE", help="who may sign in; needed where others can reach the desk")
    add("--sign-on", metavar="HEADER", help="header in which your company's proxy names who has signed in there")
    add("--proxy", action="append", default=[], metavar="ADDRESS", help="where that proxy asks from (127.0.0.1)")
    add("--name", metavar="NAME", help="who sits at it, where nobody signs in (the machine's user)")
    add(
        "--beside", type=Path, metavar="OUT2", help="a run by other charts (--with-charts), to be shown beside this one"
    )
    told = "the run's lake: a tank's page then shows every reading when zoomed, and a shift what each hose sold"
    add("--lake", type=Path, metavar="LAKE", help=told)
    add("--config", type=Path, metavar="FILE", help="tankdrift.toml, to be seen and, by who may, changed at the desk")
    add("--sets", action="append", default=[], metavar="NAME", help="may change settings, where there is no --users")
    user = command("desk-user", _desk_user, "let somebody sign in at the desk, with a password from standard input")
    user.add_argument("file", type=Path, metavar="FILE", help="file for --users")
    user.add_argument("name", metavar="NAME", help="who")
    role = user.add_mutually_exclusive_group()
    role.add_argument("--reads", action="store_true", help="lets him read, and say nothing")
    role.add_argument("--sets", action="store_true", help="lets him change settings, too")


def _desk(options: argparse.Namespace) -> None:
    from pipeline.desk.app import desk_app
    from pipeline.desk.asked import Desk
    from pipeline.desk.book import Book
    from pipeline.desk.users import read_users

    if not _is_loopback(options.host) and options.users is None and options.sign_on is None:
        raise ArgumentError(
            f"--host {options.host}: others could reach the desk there; say who may sign in with --users FILE"
        )
    sign_on = _sign_on(options)
    users = {} if options.users is None else read_users(options.users)
    if options.lake is not None and not options.lake.is_dir():
        raise ArgumentError(f"--lake {options.lake}: there is no such folder")
    settings = _settings(options)
    book = Book(options.out, options.beside)
    book.pages()
    with _listening(options.host, options.port) as listener:
        port = listener.getsockname()[1]
        desk = Desk(
            book, _hosts(options, port), _who(options), users, sign_on, lake=options.lake, settings=settings,
            setters=options.sets,
        )  # fmt: skip
        _keep_log(options.out)
        sys.stdout.write(f"desk: http://{_shown(options.host)}:{port}/ (Ctrl-C ends it)\n")
        sys.stdout.flush()
        import uvicorn

        config = uvicorn.Config(
            desk_app(desk), log_config=None, access_log=False, server_header=False, proxy_headers=False, ws="none",
            lifespan="off", limit_concurrency=200, timeout_graceful_shutdown=5,
        )  # fmt: skip
        uvicorn.Server(config).run(sockets=[listener])


def _who(options: argparse.Namespace) -> str:
    """Who sits at the desk where nobody signs in."""
    if options.name or options.users or options.sign_on:
        return str(options.name or "")
    try:
        return getpass.getuser()
    except (KeyError, OSError) as error:  # as in a container that is given a user by number
        raise ArgumentError("--name: this machine's user has no name; say who sits at the desk with --name") from error


def _desk_user(options: argparse.Namespace) -> None:
    from pipeline.desk.users import add_user

    is_typed = sys.stdin.isatty()
    password = getpass.getpass(f"password of {options.name}: ") if is_typed else sys.stdin.readline().rstrip("\n")
    role, what = _ROLES[options.reads, options.sets]
    add_user(options.file, options.name, password, role)
    sys.stdout.write(f"{options.file}: {options.name} may sign in{what}\n")


def _sign_on(options: argparse.Namespace) -> "SignOn | None":
    from pipeline.desk.guard import SignOn

    if options.sign_on is None:
        if options.proxy:
            raise ArgumentError("--proxy: say with --sign-on in which header it names who asks")
        return None
    if options.users is not None:
        raise ArgumentError("--sign-on and --users: people sign in at the one or at the other")
    if not re.fullmatch(r"[A-Za-z0-9-]{1,100}", options.sign_on):
        raise ArgumentError(f"--sign-on {options.sign_on}: expected the name of a header, such as X-Forwarded-User")
    proxies = options.proxy or ["127.0.0.1", "::1"]
    return SignOn(options.sign_on, frozenset(str(_address("--proxy", one)) for one in proxies))


def _settings(options: argparse.Namespace) -> "SettingsFile | None":
    """The file of settings that the desk shows: that of the nights whose results it serves."""
    from pipeline.desk.settings_file import SettingsFile
    from pipeline.sources.config import read_operations

    if options.config is None:
        if options.sets:
            raise ArgumentError("--sets: say with --config which settings may be changed")
        return None
    if options.sets and options.users is not None:
        raise ArgumentError("--sets and --users: say who may change settings with tankdrift desk-user --sets")
    out = read_operations(options.config).out
    if out.resolve() != options.out.resolve():
        raise ArgumentError(f"--config {options.config}: its results are in {out}, and the desk serves {options.out}")
    return SettingsFile(options.config)


def _is_loopback(host: str) -> bool:
    if host == "localhost":
        return True
    return _address("--host", host).is_loopback


def _address(option: str, text: str) -> ipaddress.IPv4Address | ipaddress.IPv6Address:
    try:
        return ipaddress.ip_address(text)
    except ValueError as error:
        raise ArgumentError(f"{option} {text}: expected an address, such as 127.0.0.1") from error


def _hosts(options: argparse.Namespace, port: int) -> frozenset[str]:
    """Names by which a browser may ask for the desk: a page of another that leads here is turned away."""
    names = ["127.0.0.1", "localhost", "[::1]", _shown(options.host)]
    return frozenset([*(f"{name}:{port}" for name in names), *(name.casefold() for name in options.known_as)])


def _shown(host: str) -> str:
    return f"[{host}]" if ":" in host else host


def _listening(host: str, port: int) -> socket.socket:
    family = socket.AF_INET6 if ":" in host else socket.AF_INET
    if not 0 <= port < 2**16:
        raise ArgumentError(f"--port {port}: a port is a number from 0 to 65535")
    try:
        return socket.create_server((host, port), family=family)
    except OSError as error:
        raise ArgumentError(f"--host {host} --port {port}: cannot listen there: {error}") from error


def _keep_log(out: Path) -> None:
    from logging.handlers import RotatingFileHandler

    from pipeline.rights import open_private

    class PrivateLog(RotatingFileHandler):
        """Who asked for what is for the desk's owner alone."""

        def _open(self) -> TextIOWrapper:
            file = open_private(Path(self.baseFilename), self.mode, self.encoding)
            assert isinstance(file, TextIOWrapper)
            return file

    handler = PrivateLog(out / LOG_FILE, maxBytes=_LOG_BYTES, backupCount=_LOG_FILES, encoding="utf-8")
    handler.setFormatter(logging.Formatter("%(message)s"))
    log = logging.getLogger("tankdrift.desk")
    log.addHandler(handler)
    log.setLevel(logging.INFO)
    log.propagate = False
