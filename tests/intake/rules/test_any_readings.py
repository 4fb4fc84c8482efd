"""Whatever readings come, rules object in words, to readings of the batch only, and never stop."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from crosscellar.contract import load_contract

Objected = Callable[..., dict[str, list[int]]]
ANALYTES = sorted(load_contract().analytes)
STAGES = ("vineyard_harvest", "juice", "inoculation", "ferment_daily", "end_primary", "end_mlf", "bottled")
VESSELS = ("T1-C1", "T1-C2", "T1-S1", "T1-S2", "T2-C1", "T2-S1", "T4-C1", "T4-S2")
NUMBERS = st.one_of(st.sampled_from([0.0, 1.0, -1.0, 1e-9, 1e12]), st.floats(-50, 5000, allow_nan=False))
READING = st.tuples(
    st.sampled_from(VESSELS),
    st.sampled_from(STAGES),
    st.sampled_from(ANALYTES),
    NUMBERS,
    st.fixed_dictionaries(
        {
            "qualifier": st.sampled_from(["", "", "", "<", ">"]),
            "replicate": st.integers(1, 2),
            "file_no": st.integers(1, 2),
            "lab": st.sampled_from(["", "lab_a", "Lab C"]),
            "unit_sent": st.sampled_from(["", "AU (1 mm)", "g/L"]),
            "text_sent": st.sampled_from(["3,41", "0", "12.50", "<0.1", "1e3", ""]),
            "entering": st.sampled_from([True, True, False]),
        }
    ),
)


@settings(
    max_examples=60,
    deadline=None,
    suppress_health_check=[HealthCheck.function_scoped_fixture, HealthCheck.too_slow],
)
@given(sheet=st.lists(READING, max_size=60), stored=st.lists(READING, max_size=20))
def test_rules_speak_of_any_readings_without_stopping(sheet: Any, stored: Any, objected: Objected) -> None:
    found = objected(sheet, stored=stored)
    contract = load_contract()
    for code, items in found.items():
        assert set(items) <= set(range(len(sheet))), code
        named = contract.rules[code].analytes
        assert not named or {sheet[item][2] for item in items} <= set(named), code
