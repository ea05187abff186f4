"""The records: frozen, strict, told apart by their tags, and whole again after JSON."""

import inspect
from typing import get_args

import msgspec
import pytest

from leverarm_daemon import records
from leverarm_daemon.ipc import messages
from leverarm_daemon.records import Frame, HostFrame, Quality, Record, Value

CLASSES = {
    f"{module.__name__.split('.')[-1]}.{name}": thing
    for module in (records, messages)
    for name, thing in vars(module).items()
    if inspect.isclass(thing) and issubclass(thing, Record) and thing.__module__ == module.__name__
}
each = pytest.mark.parametrize("record", CLASSES.values(), ids=CLASSES.keys())


@each
def test_frozen_and_strict(record: type[Record]) -> None:
    config = record.__struct_config__
    assert config.frozen
    assert config.forbid_unknown_fields
    assert (record.__doc__ or "").strip()


@each
def test_each_record_has_a_schema(record: type[Record]) -> None:
    """What msgspec can describe, it can also encode, decode and put into the API's document."""
    assert msgspec.json.schema(record)["$ref"].endswith(record.__name__)


@pytest.mark.parametrize(
    "union",
    [Frame, HostFrame, messages.GuardRequest, messages.GuardReply, messages.RecorderRequest, messages.RecorderReply],
    ids=str,
)
def test_messages_of_one_channel_are_told_apart(union: object) -> None:
    tags = [one.__struct_config__.tag for one in get_args(union)]
    assert len(set(tags)) == len(tags) > 1
    assert None not in tags


def test_a_record_comes_back_whole() -> None:
    status = records.Status(
        seq=1, device_us=2, state="held", cause=None, inputs=frozenset({"loop", "shield"}), outputs=frozenset(),
        limits_crc=0, answered_seq=None, answer_age_ms=0, edges=0, glitches=0,
    )  # fmt: skip
    decoder = msgspec.json.Decoder(Frame)
    assert decoder.decode(msgspec.json.encode(status)) == status


def test_a_field_that_nobody_knows_is_refused() -> None:
    with pytest.raises(msgspec.ValidationError, match="unknown field `valeu`"):
        msgspec.json.decode(b'{"value": 1, "unit": "N", "valeu": 2}', type=Value)


def test_a_value_that_is_not_a_number_never_gets_into_json_as_one() -> None:
    assert msgspec.json.encode(Value(float("nan"), "N", Quality.BAD)).startswith(b'{"value":null')


def test_the_worst_quality_is_the_last() -> None:
    assert list(Quality) == [Quality.GOOD, Quality.SUSPECT, Quality.BAD]
