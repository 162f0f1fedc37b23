"""What is kept of each site's past days, a file a site. Whatever is wrong with one, it counts as nothing kept."""

from __future__ import annotations

import hashlib
import json
import logging
import os
import platform
from collections.abc import Iterable
from contextlib import suppress
from dataclasses import dataclass
from importlib.metadata import version
from pathlib import Path
from typing import Final, TypeVar

import polars as pl
from threadpoolctl import threadpool_info

from pipeline.analysis import FleetPast
from pipeline.estimate.codec import Bytes, packed, unpacked
from pipeline.estimate.past import SitePast
from pipeline.resources import code_digest

T = TypeVar("T")

_LOG = logging.getLogger("tankdrift.pasts")

FOLDER: Final = "kept"
"""Where the files are, in the folder of a run's results."""

FORMAT: Final = "tankdrift kept 1"
"""The first line of a file. The second is JSON: who made it, the site, how long its text is, the hash of the rest."""

LIBRARIES: Final = ("llvmlite", "numba", "numpy", "polars", "scikit-learn", "scipy")


def made_by() -> str:
    """Hash of whatever the bits of a result may hang on beside its data: code, libraries, and what they run on."""
    blas = sorted(
        f"{one['internal_api']} {one.get('version')} {one.get('architecture')}"
        for one in threadpool_info()
        if one["user_api"] == "blas"
    )
    parts = [code_digest(), platform.python_version(), platform.machine(), str(pl.thread_pool_size()), *blas]
    parts += [f"{name} {version(name)}" for name in LIBRARIES]
    return hashlib.sha256("\n".join(parts).encode()).hexdigest()


@dataclass(frozen=True)
class PastFiles:
    """The files in a folder that were made by the same code and libraries, `mark`; others are as if they were not."""

    folder: Path
    mark: str

    def path(self, site_id: str) -> Path:
        """A site's file: any name may be a site's, and not every one a file's."""
        return self.folder / f"{hashlib.sha256(site_id.encode()).hexdigest()[:32]}.bin"

    @property
    def fleet_path(self) -> Path:
        """The file of the fleet as a whole."""
        return self.folder / "fleet.bin"

    def read(self, site_id: str) -> SitePast | None:
        """What was kept of a site; None where nothing is, or nothing that can be gone by."""
        return self._read(self.path(site_id), SitePast, site_id)

    def write(self, site_id: str, past: SitePast) -> None:
        """Keep what is to be kept of a site, whole or not at all; where it cannot be, the next night works it out."""
        self._write(self.path(site_id), past, site_id)

    def read_fleet(self) -> FleetPast | None:
        """What was kept of the fleet as a whole; None as of a site."""
        return self._read(self.fleet_path, FleetPast, "")

    def write_fleet(self, past: FleetPast) -> None:
        """Keep what is to be kept of the fleet as a whole, as of a site."""
        self._write(self.fleet_path, past, "")

    def _read(self, path: Path, kind: type[T], site_id: str) -> T | None:
        try:
            raw = path.read_bytes()
            first = raw.index(b"\n")
            second = raw.index(b"\n", first + 1)
            head = json.loads(raw[first + 1 : second])
            rest = memoryview(raw)[second + 1 :]
            text, data = rest[: head["text"]], rest[head["text"] :]
            if raw[:first].decode() != FORMAT or head != self._head(site_id, text, [data]):
                return None
            return unpacked(kind, str(text, "utf-8"), data)
        except (OSError, ValueError, TypeError, KeyError):
            return None

    def _write(self, path: Path, past: object, site_id: str) -> None:
        told, parts = packed(past)
        text = told.encode()
        head = json.dumps(self._head(site_id, text, parts)).encode()
        beside = path.with_suffix(f".{os.getpid()}.new")
        try:
            self.folder.mkdir(parents=True, exist_ok=True)
            with beside.open("wb") as file:
                file.writelines([FORMAT.encode(), b"\n", head, b"\n", text, *parts])
            beside.replace(path)
        except OSError as error:
            of = {"stage": "analyse", "site": site_id}
            whose = site_id or "the fleet"
            _LOG.warning("nothing is kept of %s for the next run: %s", whose, error.strerror, extra=of)
            with suppress(OSError):
                beside.unlink()

    def _head(self, site_id: str, text: Bytes, parts: Iterable[Bytes]) -> dict[str, str | int]:
        total = hashlib.blake2b(text, digest_size=16)
        for part in parts:
            total.update(part)
        return {"mark": self.mark, "site_id": site_id, "text": len(text), "sum": total.hexdigest()}

    def sweep(self, site_ids: Iterable[str]) -> None:
        """Remove what is of no such site, and what a run that was killed had half written."""
        wanted = {self.fleet_path, *(self.path(site_id) for site_id in site_ids)}
        for path in self.folder.glob("*"):
            if path not in wanted:
                with suppress(OSError):
                    path.unlink()
