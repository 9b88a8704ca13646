"""What all tests share. Fakes live beside the real adapters in the product; nothing is patched by dotted name."""

from __future__ import annotations

from datetime import UTC, datetime

import pytest
from brokers import mosquitto  # noqa: F401 - a fixture

from sensord.clock import ManualClock

pytest_plugins = ["browser"]


@pytest.fixture
def clock() -> ManualClock:
    """A clock that stands at noon of a spring day until moved."""
    return ManualClock(datetime(2026, 4, 1, 12, tzinfo=UTC))
