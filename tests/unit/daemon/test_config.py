"""The stand file: what is good is read, what is bad is refused with file, key, value and what is allowed."""

import re
import tomllib
from pathlib import Path
from typing import Any

import pytest
from msgspec import inspect

from leverarm_daemon.config import StandFile, load_stand_file
from leverarm_daemon.errors import ConfigError, RefuseToStart

EXAMPLE = Path(__file__).parents[3] / "deploy" / "stand.example.toml"

GOOD = """
state_dir = "/tmp/s"
stand.name = "a"
link.port = "/dev/ttyACM0"
brake.arm_m = 0.4
engine.name = "e"
weather = { pressure_hpa = 985, air_c = 24, humidity = 0.45 }
limits = { head_warn_c = 200, head_trip_c = 220 }
pulls = {}
load.rated_n = 200
load.calibration = { coefficients = [0, 1e-4], made = "2026-01-02", expires = "2027-01-02" }

[[builds]]
name = "paper"
inertia_kg_m2 = 0.02
peak_torque_nm = 20
rotating = [{ name = "flywheel", max_rpm = 5000, source = "s" }]

[[builds]]
name = "foam"
inertia_kg_m2 = 0.02
peak_torque_nm = 20
parts = [["filter", "foam"]]
rotating = [{ name = "flywheel", max_rpm = 5000, source = "s" }, { name = "drum", source = "" }]
"""


def write(folder: Path, text: str) -> Path:
    path = folder / "stand.toml"
    path.write_text(text)
    return path


def refusal(path: Path) -> ConfigError:
    with pytest.raises(ConfigError) as caught:
        load_stand_file(path)
    assert isinstance(caught.value, RefuseToStart)
    assert str(caught.value).startswith(f"{path}: {caught.value.key}: ")
    return caught.value


def test_a_good_file_is_read(tmp_path: Path) -> None:
    stand_file = load_stand_file(write(tmp_path, GOOD))
    assert (stand_file.brake.arm_m, stand_file.api.port, stand_file.mqtt) == (0.4, 8750, None)
    foam = stand_file.build("foam")
    assert foam is not None
    assert [part.max_rpm for part in foam.rotating] == [5000, None]
    assert stand_file.build("felt") is None


def test_the_paths_lie_in_the_state_folder(tmp_path: Path) -> None:
    one = load_stand_file(write(tmp_path, GOOD))
    paths = (one.guard_sock, one.recorder_sock, one.store, one.active, one.token, one.api_url)
    names = ["guard.sock", "recorder.sock", "leverarm.sqlite", "active.json", "token.json", "api.json"]
    assert [str(path) for path in paths] == [f"/tmp/s/{name}" for name in names]


def test_a_relative_state_folder_starts_at_the_file(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir("/")
    path = write(tmp_path, GOOD.replace("/tmp/s", "state"))
    assert load_stand_file(path).state_dir == str(tmp_path / "state")


# What is replaced, by what, then: key, words of the problem, words of what is allowed.
BAD: dict[str, tuple[str, str, str, str, str]] = {
    "unknown key": ("link.port", "link.speed = 3\nlink.port", "link.speed", "unknown key (value 3)", "port, baud"),
    "near miss": ("brake.arm_m", "brake.arm_mm = 4\nbrake.arm_m", "brake.arm_mm", "perhaps arm_m", "arm_m"),
    "unknown section": ("stand.name", "limit = {}\nstand.name", "limit", "perhaps limits", "limits"),
    "unknown key in a list": ('source = "s" }, {', "max = 1 }, {", "builds[1].rotating[0].max", "unknown", "max_rpm"),
    "missing key": ('link.port = "/dev/ttyACM0"', "link = {}", "link.port", "is missing", "text in quotes"),
    "missing section": ('engine.name = "e"', "", "engine", "is missing", "a table with name"),
    "missing in a list": ("peak_torque_nm = 20\nparts", "parts", "builds[1].peak_torque_nm", "is missing", "10,000"),
    "text for number": ("arm_m = 0.4", 'arm_m = "0.4"', "brake.arm_m", '"0.4"', "above 0 and at most 5"),
    "number for text": ('link.port = "/dev/ttyACM0"', "link.port = 7", "link.port", "7 is not", "text in quotes"),
    "truth for number": ("arm_m = 0.4", "arm_m = true", "brake.arm_m", "true is not", "a number above 0"),
    "number for section": ("pulls = {}", "pulls = 3", "pulls", "3 is not", "a table with fall_rpm"),
    "fraction for whole": ("stand.name", "api.port = 1.5\nstand.name", "api.port", "1.5 is", "a whole number from 0"),
    "day without quotes": ('"2026-01-02"', "2026-01-02", "load.calibration.made", "2026-01-02", "text in quotes"),
    "too small": ("arm_m = 0.4", "arm_m = 0", "brake.arm_m", "0 is not allowed", "above 0 and at most 5"),
    "too large": ("arm_m = 0.4", "arm_m = 400", "brake.arm_m", "400 is not allowed", "above 0 and at most 5"),
    "answer too old": ("link.port", "link.answer_age_max_ms = 900\nlink.port",
                       "link.answer_age_max_ms", "900", "60 to 500"),
    "humidity in per cent": ("humidity = 0.45", "humidity = 45", "weather.humidity", "45 is", "from 0 to 1"),
    "pressure in Pa": ("pressure_hpa = 985", "pressure_hpa = 98500", "weather.pressure_hpa", "98500", "800 to 1,100"),
    "no inertia": ("inertia_kg_m2 = 0.02\npeak_torque_nm = 20\nr", "inertia_kg_m2 = 0\npeak_torque_nm = 20\nr",
                   "builds[0].inertia_kg_m2", "0 is not", "above 0"),
    "rating in a list": ("max_rpm = 5000, source = \"s\" }]", "max_rpm = -1 }]", "builds[0].rotating[0].max_rpm",
                         "-1 is not", "above 0"),
    "not a choice": ('engine.name = "e"', 'engine = { name = "e", strokes = 3 }', "engine.strokes", "3 is", "2 or 4"),
    "bad letters": ('stand.name = "a"', 'stand.name = "a b"', "stand.name", '"a b" is', "letters, digits"),
    "line end in a name": ('stand.name = "a"', r'stand.name = "a\n"', "stand.name", r'"a\n" is not', "letters"),
    "empty text": ('link.port = "/dev/ttyACM0"', 'link.port = ""', "link.port", '"" is', "1 to 200"),
    "one coefficient": ("[0, 1e-4]", "[0]", "load.calibration.coefficients", "[0] is not", "2 to 4 values"),
    "counts say nothing": ("[0, 1e-4]", "[5, 0]", "load.calibration.coefficients[1]", "0 is not", "each count"),
    "text in a list": ("[0, 1e-4]", '[0, "x"]', "load.calibration.coefficients[1]", '"x" is', "a number"),
    "half a pair": ('[["filter", "foam"]]', '[["filter"]]', "builds[1].parts[0]", "is not allowed", "2 values"),
    "number in a pair": ('"foam"]]', "3]]", "builds[1].parts[0][1]", "3 is not", "text in quotes"),
    "nothing turns": ('rotating = [{ name = "flywheel", max_rpm = 5000, source = "s" }]', "rotating = []",
                      "builds[0].rotating", "[] is not", "at least 1"),
    "NaN": ("arm_m = 0.4", "arm_m = nan", "brake.arm_m", "nan is not", "a finite number"),
    "infinity": ("air_c = 24", "air_c = -inf", "weather.air_c", "-inf is not", "a finite number"),
    "infinity by size": ("air_c = 24", "air_c = 1e999", "weather.air_c", "inf is not", "a finite number"),
    "NaN in a list": ("[0, 1e-4]", "[0, nan]", "load.calibration.coefficients[1]", "nan is", "a finite number"),
    "enormous number": ("air_c = 24", f"air_c = 0x{'f' * 5000}", "weather.air_c", "too large", "18 digits"),
    "the same name": ('name = "foam"', 'name = "paper"', "builds[1].name", '"paper" is there twice', "its own"),
    "warning above trip": ("head_warn_c = 200", "head_warn_c = 220", "limits.head_warn_c", "220 is", "which is 220"),
    "shortest above longest": ("pulls = {}", "pulls = { shortest_s = 15 }", "pulls.shortest_s", "15 is", "which is 15"),
    "no such day": ("2027-01-02", "2027-02-30", "load.calibration.expires", '"2027-02-30"', "2026-04-30"),
    "another way to write a day": ("2026-01-02", "2.1.2026", "load.calibration.made", '"2.1.2026"', "2026-04-30"),
    "day without dashes": ("2026-01-02", "20260102", "load.calibration.made", "is not a day", "2026-04-30"),
    "expires before it is made": ("2027-01-02", "2025-01-02", "load.calibration.expires", '"2025-', "2026-01-02"),
    "long path": ("/tmp/s", "/tmp/" + 90 * "s", "state_dir", "socket path of 109 bytes", "at most 100 bytes"),
    "open prefix": ("stand.name", 'mqtt = { host = "h", prefix = "a/#" }\nstand.name',
                    "mqtt.prefix", '"a/#"', "slashes"),
}


@pytest.mark.parametrize("case", BAD.values(), ids=BAD.keys())
def test_bad_settings_are_refused_in_words(case: tuple[str, str, str, str, str], tmp_path: Path) -> None:
    old, new, key, problem, allowed = case
    assert GOOD.count(old) >= 1
    error = refusal(write(tmp_path, GOOD.replace(old, new, 1)))
    assert error.key == key
    assert problem in error.problem
    assert allowed in error.allowed


@pytest.mark.parametrize(
    ("content", "words"),
    [
        (b"[link]\nport /dev/ttyACM0\n", "line 2"),
        (b'stand.name = "a"\nstand.name = "b"\n', "line 2"),
        (b"a = 1\nb = \xff\n", "line 2"),
        (b"a = " + b"[" * 5000, "not good TOML"),
        (b"a = " + b"9" * 5000, "not good TOML"),
        (b"", "is missing"),
    ],
    ids=["no equals sign", "twice", "not text", "too deep", "too many digits", "empty"],
)
def test_what_is_not_toml_is_refused(content: bytes, words: str, tmp_path: Path) -> None:
    path = tmp_path / "stand.toml"
    path.write_bytes(content)
    assert words in str(refusal(path))


def test_a_decimal_comma_is_told_with_what_to_write(tmp_path: Path) -> None:
    path = tmp_path / "stand.toml"
    path.write_text("[load]\ncoefficients = [0, 400]\n[brake]\narm_m = 0,400  # measured\n")
    assert "Write 0.400, with a point" in str(refusal(path))
    path.write_text("[load]\ncoefficients = [0, 400]\narm_m = what\n")
    assert "with a point" not in str(refusal(path))


def test_a_folder_is_no_stand_file(tmp_path: Path) -> None:
    assert f"is a folder. Allowed: a file, perhaps {tmp_path}/stand.toml" in str(refusal(tmp_path))


def test_a_file_that_cannot_be_read_is_refused(tmp_path: Path) -> None:
    assert "cannot be read (No such file" in str(refusal(tmp_path / "none.toml"))


def test_a_very_deep_key_is_refused(tmp_path: Path) -> None:
    assert refusal(write(tmp_path, GOOD.replace("pulls = {}", f"{'a.' * 3000}a = 1"))).key == "a"


def known_keys(kind: inspect.Type, prefix: str = "") -> set[str]:
    """Give the dotted names of all settings that a type holds."""
    match kind:
        case inspect.StructType():
            return set().union(*(known_keys(f.type, f"{prefix}.{f.encode_name}") for f in kind.fields))
        case inspect.UnionType():
            return set().union(*(known_keys(one, prefix) for one in kind.types))
        case inspect.VarTupleType(item_type=inspect.StructType()):
            return known_keys(kind.item_type, prefix)
        case inspect.NoneType():
            return set()
    return {prefix}


def named_keys(value: Any, prefix: str = "") -> set[str]:
    """Give the dotted names of all settings that a file holds."""
    if isinstance(value, dict):
        return set().union(*(named_keys(inner, f"{prefix}.{key}") for key, inner in value.items()))
    if isinstance(value, list) and value and isinstance(value[0], dict):
        return set().union(*(named_keys(inner, prefix) for inner in value))
    return {prefix}


def all_on() -> str:
    """Give the example with its settings that are off turned on."""
    return re.sub(r"^#(?=[\w\[])", "", EXAMPLE.read_text(), flags=re.MULTILINE)


def test_the_example_loads_as_it_is_and_with_all_settings_on(tmp_path: Path) -> None:
    assert load_stand_file(EXAMPLE).mqtt is None
    assert load_stand_file(write(tmp_path, all_on())).mqtt is not None


def test_the_example_names_exactly_the_settings_there_are() -> None:
    assert named_keys(tomllib.loads(all_on())) == known_keys(inspect.type_info(StandFile))


def test_the_example_explains_each_setting() -> None:
    """Above the first appearance of each setting stands a comment, or a setting it shares one with."""
    lines = EXAMPLE.read_text().splitlines()
    first = {match[1]: n for n, line in reversed([*enumerate(lines)]) if (match := re.match(r"#?(\w+) = ", line))}
    bare = [key for key, n in first.items() if not re.match(r"# |#?\w+ = .*|\[.*", lines[n - 1])]
    assert not bare
