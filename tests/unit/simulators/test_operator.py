"""The person's table of tasks."""

import random

from leverarm_simulators.operator import Do, Hands, Operator, Seen, Strap, campaign_script
from leverarm_simulators.scenario import load_scenario

TICK_S = 0.02


def work(operator: Operator, seconds: float, speed_rpm: float, lamp: bool, begin_s: float = 0.0) -> Hands:
    for tick in range(round(seconds / TICK_S)):
        operator.tick(Seen(begin_s + tick * TICK_S, speed_rpm, lamp))
    return operator.hands


def person(*settings: str) -> Operator:
    return Operator(load_scenario("air_filter", settings), random.Random(1))


def doing(operator: Operator) -> Do | None:
    return operator.task.do if operator.task else None


def test_table_changes_filters_only_where_the_order_does_and_ends_with_the_strap() -> None:
    script = campaign_script(load_scenario("air_filter"))
    assert [task.what for task in script if task.do is Do.FIT] == ["paper", "foam"] * 3 + ["paper"]
    assert sum(task.do is Do.PULL for task in script) == 12
    assert [task.do for task in script[-3:]] == [Do.LET_GO, Do.AWAIT_STILL, Do.OPEN]
    calm = campaign_script(load_scenario("air_filter", ("campaign.brake_fails=false",)))
    assert Do.LET_GO not in {task.do for task in calm}


def test_nothing_is_touched_until_the_lamp_is_lit() -> None:
    operator = person()
    hands = work(operator, 10.0, 0.0, lamp=False)
    assert doing(operator) is Do.AWAIT_LAMP
    assert (hands.filter, hands.cords, hands.opening, hands.shield_shut) == ("paper", 0, 0.0, False)


def test_cord_is_pulled_again_when_it_does_not_fire() -> None:
    operator = person("operator.fit_s=0.0")
    assert work(operator, 5.0, 0.0, lamp=True).cords == 4
    assert doing(operator) is Do.CORD
    work(operator, 1.5, 1400.0, lamp=True, begin_s=5.0)
    assert operator.hands.shield_shut


def test_strap_pulls_harder_when_too_fast_and_never_pushes() -> None:
    strap = Strap(9.0)
    assert strap.nm(0.0, TICK_S) == 9.0
    assert strap.nm(100.0, TICK_S) > 10.0
    assert strap.nm(-5000.0, TICK_S) == 0.0


def test_lamp_out_in_a_pull_makes_the_person_let_go() -> None:
    operator = person("operator.fit_s=0.0", "operator.warm_s=0.0")
    work(operator, 2.5, 4500.0, lamp=True)
    assert doing(operator) is Do.PULL
    assert operator.hands.opening == 1.0
    assert operator.hands.strap_n > 0
    work(operator, 0.1, 4500.0, lamp=False, begin_s=2.5)
    assert (operator.hands.opening, operator.hands.strap_n) == (0.0, 0.0)
    assert doing(operator) is Do.AWAIT_STILL


def test_after_the_campaign_a_new_strap_the_key_and_more_pulls() -> None:
    operator = person("campaign.order=A", "operator.fit_s=0.0")
    operator._at = len(operator._tasks)
    assert doing(operator) is None
    work(operator, 0.5, 0.0, lamp=False)
    operator.hands.strap_whole = False
    work(operator, 9.0, 0.0, lamp=False, begin_s=0.5)
    assert not operator.hands.strap_whole
    work(operator, 30.0, 0.0, lamp=False, begin_s=9.5)
    assert operator.hands.strap_whole
    assert operator.hands.key, "held, so that somebody can reset an overspeed trip"
    work(operator, 1.0, 0.0, lamp=True, begin_s=39.5)
    assert not operator.hands.key
    assert doing(operator) is Do.CORD
