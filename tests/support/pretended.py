"""A stand that is only pretended, for whoever gives orders to one."""

from typing import Any

from leverarm_daemon.records import GuardView
from leverarm_simulators.campaign import Order, Seen


def view(state: str = "held", **more: Any) -> GuardView:
    """Give a guard's view."""
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
