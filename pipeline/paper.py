"""A page that is made to be printed, as PDF by a Chromium of this machine. Nothing is fetched from anywhere."""

import os
import shutil
import subprocess
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Final

from pipeline.desk.book import Book
from pipeline.errors import ArgumentError
from pipeline.report.site import put_pages

PROGRAM: Final = "CHROMIUM"
"""Variable of the environment that names a Chromium; without it, one of `PROGRAMS` on the path."""
PROGRAMS: Final = ("chromium", "chromium-browser", "google-chrome")
_LONGEST_S: Final = 120.0
_ALONE: Final = (
    "--headless=new", "--disable-gpu", "--no-first-run", "--disable-background-networking", "--disable-sync",
    "--disable-component-update", "--no-pdf-header-footer", "--host-resolver-rules=MAP * ~NOTFOUND",
)  # fmt: skip


def write_paper(out: Path, page: str, file: Path) -> None:
    """Write a paper of the last published run in a folder into a new file.

    Raises
    ------
    ArgumentError
        If there is no such paper, the file is there already, or this machine has no Chromium that gives a PDF.
    """
    book = Book(out)
    pages = book.pages()
    if page not in pages.papers:
        like = ", ".join(sorted(pages.papers)[:3]) or "none"
        raise ArgumentError(f"{page}: there is no such paper in {out}; there are {len(pages.papers)}: {like} …")
    if file.exists():
        raise ArgumentError(f"{file}: this is here already, and no paper is written over; give another name")
    program = os.environ.get(PROGRAM) or next(filter(None, map(shutil.which, PROGRAMS)), None)
    if program is None:
        raise ArgumentError(
            f"there is no Chromium here; install it or name it in {PROGRAM}, or print the page yourself"
        )
    with TemporaryDirectory() as place:
        folder = Path(place)
        (folder / "papers").mkdir()
        (folder / "assets").mkdir()
        for name, content in book.assets.items():
            (folder / "assets" / name).write_bytes(content)
        put_pages(folder, [(page, pages.render(page))])
        _print(program, folder / page, folder)
        beside = file.with_name(f".{file.name}.new")
        shutil.copyfile(folder / "paper.pdf", beside)
        beside.replace(file)


def _print(program: str, page: Path, folder: Path) -> None:
    """Have a page printed into `paper.pdf`."""
    target = folder / "paper.pdf"
    # A container's user is often root, whom Chromium's sandbox refuses; the page is ours and has no script of others.
    command = [program, *_ALONE, *(["--no-sandbox"] if os.geteuid() == 0 else []), f"--user-data-dir={folder / 'user'}"]
    try:
        done = subprocess.run(  # noqa: S603  # the machine's own Chromium, and no shell
            [*command, f"--print-to-pdf={target}", page.as_uri()],
            capture_output=True, timeout=_LONGEST_S, check=False, stdin=subprocess.DEVNULL,
        )  # fmt: skip
    except (OSError, subprocess.TimeoutExpired) as error:
        raise ArgumentError(f"{program} gives no PDF: {error}") from error
    if done.returncode or not target.is_file():
        raise ArgumentError(f"{program} gives no PDF: it left with {done.returncode}")
