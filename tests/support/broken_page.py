"""What comes of broken settings and sources: ``python -m tests.support.broken_page > docs/broken-sources.md``.

`tests/sources/test_broken_sources.py` holds each line of it.
"""

import contextlib
import io
import os
import re
import shutil
import sys
import tempfile
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

from flows.cli import main as tankdrift
from tests.support.broken_fleet import FIRST, NOW, Fleet, as_anybody, put_back, sound_fleet
from tests.support.broken_things import BROKEN, Broken
from tests.support.counterparts import Counterparts

PAGE = Path(__file__).parents[2] / "docs" / "broken-sources.md"

HEAD = """# What comes of broken settings and sources

Made by `python -m tests.support.broken_page`; do not edit. A fleet of two tanks has had a good night. Then one
thing is broken, in {count} ways, and `tankdrift doctor` and the next `tankdrift nightly` are run. Databases, OPC UA,
mail and the object store are real servers on this machine.

Left with 0: all is well; 1: the rest is done, and what the line names is not; 2: nothing could be done, and nobody
can be mailed, for who is to be told stands in the settings: let cron, or Prefect, tell of a command that leaves
with 2. Of several findings of the doctor the first is here. Mail goes to a recipient with
`night = ["failed", "stale"]`; 'the same' is the night's line. `...` is the folder of the settings.

A night that is done and lacks a tank or a till says so once they have been silent for `stale_after_hours`. It asks
no Modbus device: `tankdrift record` does, and says what does not answer.

| What is broken | `tankdrift doctor` | left with | `tankdrift nightly` | left with | mail to operations |
| --- | --- | --- | --- | --- | --- |
"""


@dataclass(frozen=True)
class Told:
    """What doctor and night said of one broken thing, what each left with, and what was mailed."""

    what: str
    doctor: str
    doctor_code: int
    night: str
    night_code: int
    mail: str

    def line(self) -> str:
        """Its row of the page."""
        cells = (self.what, self.doctor, self.doctor_code, self.night, self.night_code, self.mail)
        return "| " + " | ".join(str(cell).replace("|", "\\|") for cell in cells) + " |"


def run(fleet: Fleet, command: str) -> tuple[int, str, str]:
    """Exit code, standard output and standard error of a command of this fleet, in this process."""
    said, complained = io.StringIO(), io.StringIO()
    with as_anybody(), contextlib.redirect_stdout(said), contextlib.redirect_stderr(complained):
        code = tankdrift([command, "--config", str(fleet.folder / "tankdrift.toml")], now=NOW)
    last = [line for line in complained.getvalue().splitlines() if line.startswith("tankdrift: ")]
    assert len(last) == (code != 0), complained.getvalue()
    assert "Traceback" not in complained.getvalue()
    assert "tankdrift's own" not in complained.getvalue(), complained.getvalue()
    return code, said.getvalue(), last[0].removeprefix("tankdrift: ") if last else "done"


def told_of(broken: Broken, fleet: Fleet, kept: Path) -> Told:
    """Break a thing in the fleet as it was kept after its first night, and run doctor and night over it."""
    put_back(kept, fleet)
    broken.spoil(fleet)
    fleet.others.inbox.taken()
    doctor_code, findings, _ = run(fleet, "doctor")
    night_code, shown, night = run(fleet, "nightly")
    if night_code == 0:
        night = "; ".join(["done", *_remarks(shown)])
    return Told(
        broken.what,
        fleet.shown(_bad(findings)),
        doctor_code,
        fleet.shown(night),
        night_code,
        fleet.shown(_mailed(fleet.others.inbox.taken(), night)),
    )


def _bad(findings: str) -> str:
    """The first of the doctor's findings that is not well, with what mends it."""
    found = re.findall(r"^BAD  (.*)\n       (.*)$", findings, re.MULTILINE)
    if not found:
        return "all is well"
    said, mend = found[0]
    return f"{said}; {mend}"


def _remarks(shown: str) -> Iterator[str]:
    """What a night that is done has to say beside its counts: notes, and what is not fresh."""
    for line in shown.splitlines():
        note = re.match(r"\w+ \w+: [\d,]+ new, .* refused in [\d.]+ s; (.*)", line)
        if note:
            yield note[1]
        elif re.match(r"\w+.*: (readings|sales) (stale|silent|ahead), ", line):
            yield line


def _mailed(mails: list[tuple[str, str, str]], night: str) -> str:
    told = []
    for _, subject, body in mails:
        first = body.strip().splitlines()[0]
        told.append(f"{subject.removeprefix('tankdrift: ')}: {'the same' if first in night else first}")
    return "; ".join(told) or "none"


@contextlib.contextmanager
def stage() -> Iterator[tuple[Fleet, Path]]:
    """The fleet, and a copy of it after its first night, for as long as they are wanted."""
    before = {name: os.environ.pop(name, None) for name in ("TANKDRIFT_LAKE", "TANKDRIFT_OUT", "PREFECT_API_URL")}
    with tempfile.TemporaryDirectory() as folder, Counterparts() as others:
        fleet = sound_fleet(Path(folder) / "fleet", others)
        said, complained = io.StringIO(), io.StringIO()
        with contextlib.redirect_stdout(said), contextlib.redirect_stderr(complained):
            code = tankdrift(["nightly", "--config", str(fleet.folder / "tankdrift.toml")], now=FIRST)
        assert code == 0, complained.getvalue()
        shutil.copytree(fleet.folder, Path(folder) / "kept")
        yield fleet, Path(folder) / "kept"
    os.environ.update({name: value for name, value in before.items() if value is not None})


def head() -> str:
    """What stands above the page's rows."""
    return HEAD.format(count=len(BROKEN) - 1)


def main() -> None:
    """Break one thing after another, and write the page."""
    sys.stdout.write(head())
    with stage() as (fleet, kept):
        for broken in BROKEN:
            sys.stdout.write(told_of(broken, fleet, kept).line() + "\n")
            sys.stdout.flush()


if __name__ == "__main__":
    main()
