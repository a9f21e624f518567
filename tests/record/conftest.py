"""What the record's tests share."""

from __future__ import annotations

from pathlib import Path

import pytest
from hypothesis import HealthCheck, settings
from small_exam import record_small_exam, ticking

from assistant.record.log import Clock

# These tests write to the disk and share the machine: nothing here is about speed.
settings.register_profile("unhurried", suppress_health_check=[HealthCheck.too_slow])
settings.load_profile("unhurried")


@pytest.fixture
def clock() -> Clock:
    return ticking()


@pytest.fixture
def exam(tmp_path: Path, clock: Clock) -> Path:
    """A finished small exam with recordings; the path of its folder."""
    with record_small_exam(tmp_path / "exam", clock) as folder:
        folder.build()
    return tmp_path / "exam"
