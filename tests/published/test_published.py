"""Check values from outside, through the functions that the live path calls. `-s` prints each."""

import pytest

from support.published import FUNCTIONS, Check, checks

CHECKS = list(checks())


def name(check: Check) -> str:
    return f"{check.case}:{check.quantity}"


@pytest.mark.parametrize("check", CHECKS, ids=name)
def test_we_get_what_others_published(check: Check) -> None:
    print(check.tell())
    assert check.holds(), check.tell()


@pytest.mark.parametrize("check", CHECKS, ids=name)
@pytest.mark.parametrize("side", [-10, 10])
def test_the_check_sees_an_expected_value_moved_by_ten_tolerances(check: Check, side: int) -> None:
    moved = check._replace(expected=check.expected + side * check.tolerance)
    assert not moved.holds(), moved.tell()


def test_every_function_is_checked_and_every_check_says_where_it_is_from() -> None:
    assert {check.fn for check in CHECKS} == set(FUNCTIONS)
    assert all(check.source and check.standing for check in CHECKS)
