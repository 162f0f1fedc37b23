"""One report and one browser for all of the report's tests."""

import pytest

from pipeline.report.site import write_report
from tests.support.report_frames import build_frames, last_day

DAYS = 60


@pytest.fixture(scope="session")
def frames():
    return build_frames(days=DAYS)


@pytest.fixture(scope="session")
def as_of():
    return last_day(DAYS)


@pytest.fixture(scope="session")
def report(frames, as_of, tmp_path_factory):
    """Folder of a report over the frames."""
    return write_report(frames, tmp_path_factory.mktemp("out"), as_of=as_of).parent
