"""What the front end passes on: counts and temperatures."""

from support.front import Bench


def test_counts_are_sent_one_by_one_at_low_rates_and_ten_a_line_at_high_ones() -> None:
    slow, fast = Bench(), Bench(load_hz=1000)
    for bench in (slow, fast):
        for n in range(20):
            bench.pins.t += 1000
            bench.front.load(bench.pins.now_us(), None if n == 3 else n - 5)
        bench.wait(1000)
    one_by_one, many = ([words[3:] for words in bench.lines if words[0] == "L"] for bench in (slow, fast))
    assert one_by_one[:4] == [["0", "-5"], ["0", "-4"], ["0", "-3"], ["0", "!"]]
    assert many == [
        ["1000", "-5", "-4", "-3", "!", "-1", "0", "1", "2", "3", "4"], ["1000", *map(str, range(5, 15))],
    ]


def test_temperatures_and_faults_go_out_four_times_a_second() -> None:
    bench = Bench()
    bench.ready()
    bench.lines.clear()
    bench.front.temp(bench.pins.now_us(), "head", 8534)
    bench.front.temp(bench.pins.now_us(), "drum", "open")
    bench.wait(990_000)
    lines = [words[3:] for words in bench.lines if words[0] == "T"]
    assert len(lines) in (4, 5)
    assert lines[0] == ["head=8534", "drum=!open"]


def test_a_temperature_that_nobody_renews_is_stale() -> None:
    bench = Bench()
    bench.ready()
    bench.front.temp(bench.pins.now_us(), "head", 8534)
    bench.wait(3_000_000)
    assert [words[3] for words in bench.lines if words[0] == "T"][-1] == "head=!stale"
