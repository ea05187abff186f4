"""The campaign's orders, against a stand that is only pretended."""

from typing import Any

import pytest

from leverarm_daemon.records import GuardView
from leverarm_simulators.campaign import CampaignFailed, Order, Seen, Session, campaign, sessions


def view(state: str = "held", **more: Any) -> GuardView:
    given: dict[str, Any] = {
        "boot": "b", "revision": 1, "state": state, "first_cause": None, "followed_by": (), "notices": (),
        "why_not": (), "build": None, "trip_rpm": None, "start_cap_rpm": 3000.0, "speed_rpm": None, "link": "up",
        "simulated": True, "recorder": True,
    }
    return GuardView(**(given | more))


class Pretended:
    """A stand that does what it is told, a second later; pulls come by themselves while it runs."""

    def __init__(self, pulls_each_run: int = 2, trips: bool = True, refuses: int = 0) -> None:
        self.now_s = 0.0
        self.state, self.pulls, self.trips = "held", 0, 0
        self.build: str | None = None
        self.orders: list[Order] = []
        self._pulls_each_run, self._trips, self._refuses = pulls_each_run, trips, refuses
        self._begun_s = 0.0

    def look(self) -> Seen:
        self.now_s += 0.5
        if self.state == "start-allowed" and self.now_s - self._begun_s > 3:
            self.state, self._begun_s, self._due = "running", self.now_s, self._pulls_each_run
        if self.state == "running" and self._due and self.now_s - self._begun_s > 5:
            self.pulls, self._due, self._begun_s = self.pulls + 1, self._due - 1, self.now_s
        if self.state == "running" and not self._due and self._trips and self.now_s - self._begun_s > 15:
            self.state, self.trips = "tripped", 1
        if self.state == "stopping":
            self.state = "held"
        return Seen(self.now_s, view(self.state, build=self.build), self.pulls, self.trips)

    def obey(self, order: Order) -> None:
        self.orders.append(order)
        if self._refuses:
            self._refuses -= 1
        elif order.word == "select":
            self.build = order.build
        elif order.word == "allow":
            self.state, self._begun_s = "start-allowed", self.now_s
        else:
            self.state = "stopping"


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
