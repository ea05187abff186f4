"""Benches for the guard's tests."""

import pytest

from support.guarded import Bench


@pytest.fixture
def bench() -> Bench:
    return Bench()


@pytest.fixture
def running() -> Bench:
    bench = Bench()
    bench.run()
    return bench
