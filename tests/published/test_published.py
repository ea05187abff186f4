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


@pytest.mark.parametrize(
    ("off", "holds"), [(0.0, True), (0.9, True), (-0.9, True), (1.1, False), (-1.1, False), (float("nan"), False)]
)
def test_a_check_holds_within_its_tolerance_and_not_beyond(off: float, holds: bool) -> None:
    check = CHECKS[0]
    assert check._replace(expected=check.got() + off * check.tolerance).holds() is holds


def test_every_function_is_checked_and_every_check_says_where_it_is_from() -> None:
    assert {check.fn for check in CHECKS} == set(FUNCTIONS)
    assert all(check.source and check.standing for check in CHECKS)
