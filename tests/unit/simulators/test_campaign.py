"""The campaign's orders, against a stand that is only pretended."""

import pytest

from leverarm_simulators.campaign import CampaignFailed, Order, Seen, Session, campaign, sessions
from support.pretended import Pretended, view


def drive(stand: Pretended, builds: tuple[str, ...], brake_fails: bool) -> list[Order]:
    orders = campaign(builds, brake_fails)
    next(orders)
    while True:
        try:
            order = orders.send(stand.look())
        except StopIteration:
            return stand.orders
        if order is not None:
            stand.obey(order)


def test_equal_neighbours_make_one_session() -> None:
    assert sessions(tuple("ABBAAB")) == [Session("A", 1), Session("B", 2), Session("A", 2), Session("B", 1)]


def test_a_filter_change_is_a_stop_a_selection_and_a_start() -> None:
    orders = drive(Pretended(), ("a", "a", "b", "b"), brake_fails=False)
    assert orders == [
        Order("select", "a"), Order("allow"), Order("stop"), Order("select", "b"), Order("allow"), Order("stop")
    ]


def test_after_the_last_pull_the_trip_is_awaited_and_nothing_stops_before() -> None:
    stand = Pretended()
    assert drive(stand, ("a", "a"), brake_fails=True) == [Order("select", "a"), Order("allow")]
    assert stand.trips == 1


def test_a_refused_order_is_given_again_after_a_second() -> None:
    orders = drive(Pretended(refuses=2), ("a", "a"), brake_fails=False)
    assert orders == [Order("select", "a")] * 3 + [Order("allow"), Order("stop")]


@pytest.mark.parametrize(
    ("stand", "words"),
    [
        (Pretended(pulls_each_run=1, trips=False), "pull 2 is not found: the stand is running; 1 pulls so far"),
        (Pretended(trips=False), "nothing trips"),
        (Pretended(refuses=1000), "a is not taken"),
    ],
)
def test_what_does_not_happen_in_time_is_told(stand: Pretended, words: str) -> None:
    with pytest.raises(CampaignFailed, match=words):
        drive(stand, ("a", "a"), brake_fails=True)


def test_reasons_against_a_start_are_told() -> None:
    orders = campaign(("a",), brake_fails=False)
    next(orders)
    orders.send(Seen(0.0, view(), 0, 0))
    blocked = view(why_not=("the load cell gives no valid reading",))
    for k in range(40):
        orders.send(Seen(k * 0.5, blocked, 0, 0))
    with pytest.raises(CampaignFailed, match="against a start: the load cell gives no valid reading"):
        orders.send(Seen(100.0, blocked, 0, 0))


def test_an_old_trip_is_reset_before_anything_else() -> None:
    orders = campaign(("a",), brake_fails=False)
    next(orders)
    assert orders.send(Seen(0.0, view(state="tripped", first_cause="overspeed"), 0, 0)) == Order("reset")
    assert orders.send(Seen(0.5, view(state="tripped", first_cause="overspeed"), 0, 0)) is None
    assert orders.send(Seen(1.5, view(state="tripped", first_cause="overspeed"), 0, 0)) == Order("reset")
    orders.send(Seen(2.0, view(state="held"), 0, 0))
    assert orders.send(Seen(2.1, view(state="held"), 0, 0)) == Order("select", "a")


@pytest.mark.parametrize(
    ("cause", "words"), [("stand-silent", "too busy"), ("load-lost", "nothing should: load-lost$")]
)
def test_a_trip_out_of_turn_ends_it_at_once_with_its_cause(cause: str, words: str) -> None:
    orders = campaign(("a", "a"), brake_fails=True)
    next(orders)
    orders.send(Seen(0.0, view(state="held"), 0, 0))
    with pytest.raises(CampaignFailed, match=words):
        orders.send(Seen(0.1, view(state="tripped", first_cause=cause), 0, 0))
