"""Fixtures for the API's tests."""

from collections.abc import AsyncIterator
from pathlib import Path

import pytest

from support.api import Bench, bench


@pytest.fixture
async def stand(tmp_path: Path) -> AsyncIterator[Bench]:
    """Give the application with a fake guard and recorder."""
    async with bench(tmp_path) as made:
        yield made
