"""Whatever a file holds, its reader takes it or refuses it in one line that can be printed."""

from __future__ import annotations

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from tests.fuzz.readers import READERS, Reader, faults_of_line
from tests.hostile.mutations import broken, odd

readers = pytest.mark.parametrize("reader", READERS.values(), ids=READERS)
hard = settings(max_examples=150, suppress_health_check=[HealthCheck.too_slow, HealthCheck.data_too_large])


@readers
def test_a_valid_file_passes(reader: Reader) -> None:
    """What the changes start from is read, or the tests below would show nothing."""
    for seed in reader.seeds():
        line = reader.outcome(seed)
        assert line is None, line


@readers
@hard
@given(data=st.data())
def test_changed_bytes_are_read_or_refused_in_one_line(reader: Reader, data: st.DataObject) -> None:
    """Bytes flipped, cut, repeated or cut short never end in anything but one line."""
    seed = data.draw(st.sampled_from(reader.seeds()))
    line = reader.outcome(data.draw(broken(seed)))
    assert line is None or faults_of_line(line) == [], line


@readers
@hard
@given(data=st.data())
def test_hostile_values_are_read_or_refused_in_one_line(reader: Reader, data: st.DataObject) -> None:
    """NaN, infinities, huge numbers, wrong types, control characters: one line, whatever stands where."""
    seed = data.draw(st.sampled_from(reader.seeds()))
    line = reader.outcome(data.draw(odd(seed)))
    assert line is None or faults_of_line(line) == [], line


@readers
@settings(max_examples=60)
@given(content=st.binary(max_size=400))
def test_any_bytes_are_refused_in_one_line(reader: Reader, content: bytes) -> None:
    """Files of no kind at all are told in one line."""
    line = reader.outcome(content)
    assert line is None or faults_of_line(line) == [], line
