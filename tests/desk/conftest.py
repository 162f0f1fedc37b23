"""A published run of invented frames, made once; each file has a copy of its own and a desk over it."""

import shutil

import pytest

from tests.support.desks import desk
from tests.support.published import publish_frames
from tests.support.report_frames import build_frames
from tests.support.shared import made_once

DAYS = 35


@pytest.fixture(scope="session")
def frames():
    return build_frames(tank_count=6, days=DAYS)


@pytest.fixture(scope="module")
def out(frames, tmp_path_factory):
    made = made_once(tmp_path_factory, "published", lambda place: publish_frames(place, frames, days=DAYS))
    own = tmp_path_factory.mktemp("desk") / "out"
    shutil.copytree(made, own)
    for path in own.rglob("*"):
        path.chmod(0o755 if path.is_dir() else 0o644)
    return own


@pytest.fixture(scope="module")
def address(out):
    with desk(out, "--name", "M. Orr") as found:
        yield found
