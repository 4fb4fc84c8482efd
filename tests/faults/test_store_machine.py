"""Whatever order sheets, corrections, decisions and crashes come in, a plain model says what stands."""

from __future__ import annotations

import shutil
import tempfile
from collections import Counter
from collections.abc import Callable
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any, ClassVar

import polars as pl
import pytest
from hypothesis import HealthCheck, Phase, seed, settings
from hypothesis import strategies as st
from hypothesis.stateful import (
    RuleBasedStateMachine,
    initialize,
    invariant,
    precondition,
    rule,
    run_state_machine_as_test,
)

from crosscellar.errors import CrosscellarError
from crosscellar.network import Network
from crosscellar.store import Store

REGISTER = Path(__file__).parent / "messy" / "register"
ARMS = {"ORR-01": "control", "ORR-02": "stir_weekly", "ORR-03": "control", "ORR-04": "stir_weekly"}

#: What a sheet can be about: a vessel, an assessor's pick, an assessor's score of an arm.
PLACES = {
    "readings": tuple(ARMS),
    "picks": ("pick ASR-1", "pick ASR-2"),
    "scores": ("score ASR-1 control", "score ASR-1 stir_weekly", "score ASR-2 control"),
}
HEADINGS = {
    "readings": "trial_id,arm_id,vessel_id,stage,sample_date,analyte,value,unit,replicate,lab,note",
    "picks": "trial_id,session_id,session_date,assessor_id,serving,picked,note",
    "scores": "trial_id,session_id,session_date,assessor_id,arm_id,attribute,score,scale_low,scale_high,note",
}
VALUES = {
    "readings": ("6.20", "6.31", "6.42", "6.55"),
    "picks": ("1", "2", "3"),
    "scores": ("4", "5.5", "6", "7"),
}

#: Where a crash can fall. What is interrupted from `committed` on is in the store.
INTAKE_STEPS = ("files_written", "items_written", "entry_written", "before_commit")
SHORT_STEPS = ("before_commit",)
DONE_STEPS = ("committed", "journalled", "checkpointed")


def sheets_of(kind: str) -> st.SearchStrategy[dict[str, str]]:
    return st.dictionaries(
        st.sampled_from(PLACES[kind]), st.sampled_from(VALUES[kind]), min_size=1, max_size=3
    )


sheets = st.one_of(*(sheets_of(kind) for kind in ("readings", "readings", "picks", "scores")))


def kind_of(place: str) -> str:
    return next(kind for kind, places in PLACES.items() if place in places)


def row_of(place: str, value: str, note: str) -> str:
    """The row of a sheet; of A, B and A as served the second is the odd one."""
    match kind_of(place):
        case "readings":
            arm = ARMS[place]
            return (
                f"LS24-ORR,{arm},{place},pre_bottling,2025-03-04,titratable_acidity,{value},g/L,1,"
                f"lab_north,{note}"
            )
        case "picks":
            return f"LS24-ORR,t1,2025-03-05,{place.removeprefix('pick ')},ABA,{value},{note}"
        case _:
            _, assessor, arm = place.split()
            return f"LS24-ORR,s1,2025-03-06,{assessor},{arm},fruit,{value},0,10,{note}"


def crash_at(*steps: str) -> st.SearchStrategy[str]:
    """Mostly no crash, now and then one at a named step."""
    return st.one_of(st.just(""), st.just(""), st.sampled_from([*steps, *DONE_STEPS]))


class Crash(Exception):
    """The moment at which the process is killed."""


@dataclass(eq=False)
class Item:
    """A value that entered; `gave_way_to` is what took its place last."""

    value: str
    moment: datetime
    entry: int
    by_sheet: bool
    stands: bool = True
    gave_way_to: Item | None = None


@dataclass(eq=False)
class Asked:
    """A held reading: the sheet it is in, what stood when it was shown, and what became of it."""

    vessel: str
    value: str
    sheet: str
    shown: str
    entry: int
    entered: list[Item] = field(default_factory=list)
    said: list[tuple[str, str | None]] = field(default_factory=list)
    answered: str = ""


class Model:
    """What a store should hold, with nothing but lists and dictionaries."""

    def __init__(self) -> None:
        self.items: dict[str, list[Item]] = {place: [] for places in PLACES.values() for place in places}
        self.asked: dict[int, Asked] = {}
        self.came: dict[str, datetime] = {}
        self.entry = 1

    def standing(self, vessel: str) -> Item | None:
        return next((item for item in self.items[vessel] if item.stands), None)

    def values(self) -> dict[str, float]:
        return {place: float(item.value) for place in self.items if (item := self.standing(place))}

    def waiting(self) -> set[int]:
        return {number for number, one in self.asked.items() if not one.answered and not one.said}

    def enter(self, vessel: str, value: str, moment: datetime, *, by_sheet: bool) -> Item:
        before = self.standing(vessel)
        item = Item(value, moment, self.entry, by_sheet)
        if before is not None:
            before.stands, before.gave_way_to = False, item
        self.items[vessel].append(item)
        return item

    def decided(self, name: str, vessel: str) -> str:
        """What was decided of a cell of a sheet: accept while what a yes brought in stands, or refuse."""
        verdicts = [
            "accept" if any(item.stands for item in one.entered) else one.said[-1][0] == "refuse" and "refuse"
            for one in self.asked.values()
            if (one.sheet, one.vessel) == (name, vessel) and one.said
        ]
        return next((verdict for verdict in reversed(verdicts) if verdict), "")

    def judge(self, name: str, sheet: dict[str, str], *, correction: bool) -> dict[str, str]:
        """Vessel -> enter, already, left out, old or conflict."""
        outcome = {}
        for vessel, value in sheet.items():
            stood = self.standing(vessel)
            if stood is None:
                outcome[vessel] = "enter"
            elif stood.value == value:
                outcome[vessel] = "already"
            elif any(item.value == value for item in self.items[vessel]):
                outcome[vessel] = "old"
            else:
                outcome[vessel] = "enter" if correction else "conflict"
            if outcome[vessel] in ("old", "conflict") and (decided := self.decided(name, vessel)):
                outcome[vessel] = "already" if decided == "accept" else "left out"
        return outcome

    def is_stored(self, name: str, outcome: dict[str, str]) -> bool:
        """Whether the sheet leaves anything: bytes that came before do only if they say something new."""
        if "enter" in outcome.values() or name not in self.came:
            return True
        late = [self.standing(vessel) for vessel, what in outcome.items() if what == "old"]
        return any(item is not None and item.moment >= self.came[name] for item in late)

    def take(
        self,
        name: str,
        sheet: dict[str, str],
        outcome: dict[str, str],
        numbers: dict[str, int],
        now: datetime,
    ) -> None:
        """A sheet was stored; `numbers` are those of the findings about its held vessels."""
        self.entry += 1
        shown = {vessel: item.value for vessel in sheet if (item := self.standing(vessel))}
        for vessel, value in sheet.items():
            if outcome[vessel] == "enter":
                self.enter(vessel, value, now, by_sheet=True)
        for vessel, number in numbers.items():
            self.asked[number] = Asked(vessel, sheet[vessel], name, shown[vessel], self.entry)
        for one in self.asked.values():
            if one.entry == self.entry or one.said or one.answered:
                continue
            if one.sheet == name:
                one.answered = "retaken"
            elif any(item.by_sheet and item.entry > one.entry for item in self.items[one.vessel]):
                one.answered = "mended"
        self.came[name] = now

    def can_decide(self, number: int, verdict: str, value: str | None) -> bool:
        one = self.asked[number]
        if one.answered or one.said[-1:] == [(verdict, value)]:
            return False
        if verdict == "refuse":
            return True
        if any(item.stands for item in one.entered):
            return value is None
        stood = self.standing(one.vessel)
        return value is not None or stood is None or stood.value in (one.shown, one.value)

    def decide(self, number: int, verdict: str, value: str | None, now: datetime) -> None:
        self.entry += 1
        one = self.asked[number]
        mine = next((item for item in one.entered if item.stands), None)
        stood = self.standing(one.vessel)
        # What another sheet brought since stands already: the yes is on record and brings nothing in.
        brought = value is None and stood is not None and one.shown != stood.value == one.value
        if verdict == "accept" and mine is None and not brought:
            one.entered.append(self.enter(one.vessel, value or one.value, now, by_sheet=False))
        elif verdict == "refuse" and mine is not None:
            mine.stands = False
            for item in self.items[one.vessel]:
                if item.gave_way_to is mine:
                    item.stands, item.gave_way_to = True, None
        one.said.append((verdict, value))


class StoreMachine(RuleBasedStateMachine):
    """A store beside its model. A crash leaves the files as they lay then, as a killed process does."""

    seen: ClassVar[Counter[str]] = Counter()
    start_from: ClassVar[Path]
    rebuilds: ClassVar[bool] = False

    def __init__(self) -> None:
        super().__init__()
        self.folder = Path(tempfile.mkdtemp())
        self.path = self.folder / "0" / "store"
        self.now = datetime(2026, 1, 1, tzinfo=UTC)
        self.stop_at = ""
        self.model = Model()
        self.sent: dict[str, dict[str, str]] = {}
        self.past: list[tuple[datetime, dict[str, float]]] = []
        self.copies = 0
        self.revision = 0

    # -- the store ------------------------------------------------------------------------------------------

    def clock(self) -> datetime:
        return self.now

    def at_step(self, step: str) -> None:
        if step == self.stop_at:
            self.files_as_they_lie()
            raise Crash(step)

    def files_as_they_lie(self) -> None:
        self.copies += 1
        there = self.folder / str(self.copies)
        there.mkdir()
        for file in self.path.parent.iterdir():
            shutil.copyfile(file, there / file.name)

    def open(self) -> None:
        self.store = Store.open(self.path, create=False, clock=self.clock, at_step=self.at_step)
        self.network = Network(self.store, clock=self.clock)

    @initialize()
    def start(self) -> None:
        shutil.copytree(self.start_from, self.path.parent)
        self.open()

    def teardown(self) -> None:
        if hasattr(self, "store"):
            for moment, stood in self.past:
                assert self.standing(as_of=moment) == stood
            assert self.store.check() == []
            if self.rebuilds:
                rebuilt = self.network.rebuild(self.folder / "again")
                assert (rebuilt.same, rebuilt.differences) == (True, ())
            self.network.close()
        shutil.rmtree(self.folder)

    def standing(self, **when: Any) -> dict[str, float]:
        picks = self.store.picks(**when)
        assert picks["correct"].to_list() == [glass == 2 for glass in picks["picked"]]
        scores = self.store.scores(**when).select("assessor_id", "arm_id", "score").rows()
        return {
            **dict(self.store.readings(**when).select("vessel_id", "value").rows()),
            **{f"pick {who}": float(glass) for who, glass in picks.select("assessor_id", "picked").rows()},
            **{f"score {who} {arm}": score for who, arm, score in scores},
        }

    def survives(self, work: Callable[[], object], stop_at: str) -> bool:
        """Whether `work` is in the store: a crash before its commit takes it away whole."""
        self.now += timedelta(hours=1)
        self.stop_at = stop_at
        try:
            work()
        except Crash:
            self.network.close()
            self.path = self.folder / str(self.copies) / "store"
            self.stop_at = ""
            self.open()
            assert self.store.check() == []
            self.seen[f"crash {'after' if stop_at in DONE_STEPS else 'before'} commit"] += 1
            return stop_at in DONE_STEPS
        finally:
            self.stop_at = ""
        return True

    # -- what may happen ------------------------------------------------------------------------------------

    def take(self, name: str, *, correction: bool, stop_at: str = "") -> None:
        sheet = self.sent[name]
        outcome = self.model.judge(name, sheet, correction=correction)
        stored = self.model.is_stored(name, outcome)
        file = self.folder / f"{name}.csv"
        kind = kind_of(next(iter(sheet)))
        rows = [row_of(place, value, name) for place, value in sheet.items()]
        file.write_text("".join(f"{line}\n" for line in (HEADINGS[kind], *rows)), encoding="utf-8")
        before = self.store.findings()["finding_id"].to_list()
        if not self.survives(lambda: self.network.intake([file], correction=correction), stop_at):
            return
        new = ~pl.col("finding_id").is_in(before)
        held = self.store.findings().filter(new & (pl.col("severity") == "hold"))
        numbers = {list(sheet)[row - 2]: number for number, row in held.select("finding_id", "row").rows()}
        if not stored:
            assert numbers == {}
            self.seen["nothing new"] += 1
            return
        assert {vessel for vessel, what in outcome.items() if what in ("old", "conflict")} == set(numbers)
        self.model.take(name, sheet, outcome, numbers, self.now)
        self.remember()
        self.seen.update(outcome.values())
        self.seen[f"{kind} entered"] += "enter" in outcome.values()

    def remember(self) -> None:
        self.past.append((self.now, self.model.values()))

    @rule(sheet=sheets, correction=st.booleans(), stop_at=crash_at(*INTAKE_STEPS))
    def a_sheet_comes(self, sheet: dict[str, str], correction: bool, stop_at: str) -> None:
        name = f"sheet {len(self.sent)}"
        self.sent[name] = sheet
        self.take(name, correction=correction, stop_at=stop_at)

    @precondition(lambda self: self.sent)
    @rule(data=st.data(), correction=st.booleans())
    def a_sheet_comes_again(self, data: st.DataObject, correction: bool) -> None:
        self.take(data.draw(st.sampled_from(sorted(self.sent))), correction=correction)
        self.seen["sent again"] += 1

    @precondition(lambda self: self.model.asked)
    @rule(
        data=st.data(),
        verdict=st.sampled_from(["accept", "refuse"]),
        stop_at=crash_at(*SHORT_STEPS),
    )
    def a_finding_is_decided(self, data: st.DataObject, verdict: str, stop_at: str) -> None:
        number = data.draw(st.sampled_from(sorted(self.model.asked)))
        given = st.sampled_from(VALUES[kind_of(self.model.asked[number].vessel)])
        value = data.draw(st.one_of(st.none(), st.none(), given)) if verdict == "accept" else None
        if not self.model.can_decide(number, verdict, value):
            with pytest.raises(CrosscellarError):
                self.network.decide(number, verdict, reason="as the model says", value=value)
            self.seen["decision turned away"] += 1
            return
        if self.survives(
            lambda: self.network.decide(number, verdict, reason="so it is", value=value), stop_at
        ):
            self.model.decide(number, verdict, value, self.now)
            self.remember()
            self.seen[f"decided {verdict}"] += 1
            self.seen["undone"] += verdict == "refuse" and bool(self.model.asked[number].entered)

    @rule(stop_at=crash_at(*SHORT_STEPS))
    def the_register_comes_changed(self, stop_at: str) -> None:
        folder = self.folder / "register"
        shutil.copytree(REGISTER, folder, dirs_exist_ok=True)
        told = (folder / "sites.csv").read_text("utf-8").splitlines()
        contact = f"contact {self.revision + 1}"
        lines = [f"{told[0]},contact", *(f"{line},{contact}" for line in told[1:])]
        (folder / "sites.csv").write_text("\n".join(lines) + "\n", encoding="utf-8")
        if self.survives(lambda: self.network.register(folder), stop_at):
            self.revision += 1
            self.model.entry += 1
            self.remember()
        if self.revision:
            contacts = self.store.register_frames()["sites"]["contact"].unique().to_list()
            assert contacts == [f"contact {self.revision}"]

    @rule()
    def the_effect_is_that_of_the_means(self) -> None:
        means: dict[str, list[float]] = {"control": [], "stir_weekly": []}
        for place, value in self.model.values().items():
            if place in ARMS:
                means[ARMS[place]].append(value)
        found = self.network.effects("lees-stirring", stage="pre_bottling").filter(trial="LS24-ORR")
        usable = found.filter(found["estimate"].is_not_null())
        assert usable.height == all(means.values())
        for row in usable.iter_rows(named=True):
            treatment, control = means["stir_weekly"], means["control"]
            difference = sum(treatment) / len(treatment) - sum(control) / len(control)
            assert (row["n_treatment"], row["n_control"]) == (len(treatment), len(control))
            assert row["estimate"] == pytest.approx(difference, abs=1e-9)
            self.seen["effects"] += 1

    @rule(way=st.sampled_from(["closed", "killed", "backup"]))
    def work_goes_on_elsewhere(self, way: str) -> None:
        """After closing, with the files as a killed process leaves them, or with a backup."""
        if way == "killed":
            self.files_as_they_lie()
        elif way == "backup":
            self.copies += 1
            there = self.folder / str(self.copies)
            there.mkdir()
            self.network.backup(there / "store")
        self.network.close()
        if way != "closed":
            self.path = self.folder / str(self.copies) / "store"
        self.open()

    # -- what must always hold ------------------------------------------------------------------------------

    @invariant()
    def what_stands_and_what_waits_is_what_the_model_says(self) -> None:
        if hasattr(self, "store"):
            assert self.standing() == self.model.values()
            waiting = self.store.findings(open_only=True)["finding_id"].to_list()
            assert set(waiting) == self.model.waiting()


@pytest.fixture(scope="module")
def registered(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The folder of a store that holds a register and nothing else."""
    folder = tmp_path_factory.mktemp("registered")
    with Network.open(folder / "store", clock=lambda: datetime(2026, 1, 1, tzinfo=UTC)) as network:
        network.register(REGISTER)
    return folder


#: 200 runs of 30 steps in all, so that one that fails is found by its seed.
LONG = [pytest.param(20, 30, number, marks=pytest.mark.long) for number in range(1, 11)]


@pytest.mark.parametrize(("runs", "steps", "number"), [(4, 8, 0), *LONG])
def test_a_store_stands_as_a_plain_model_says_whatever_happens(
    runs: int, steps: int, number: int, registered: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(StoreMachine, "start_from", registered, raising=False)
    monkeypatch.setattr(StoreMachine, "rebuilds", runs > 10)
    StoreMachine.seen.clear()
    run_state_machine_as_test(
        seed(number)(type("Seeded", (StoreMachine,), {})),
        settings=settings(
            max_examples=runs,
            stateful_step_count=steps,
            deadline=None,
            database=None,
            phases=[Phase.generate],
            report_multiple_bugs=False,
            suppress_health_check=list(HealthCheck),
        ),
    )
    seen = StoreMachine.seen
    print(number, dict(sorted(seen.items())))
    assert seen["enter"]
    if runs > 10:
        # Twenty runs may lack a rare move: an undoing, a decision turned away.
        kinds = {"conflict", "old", "already", "nothing new", "effects"}
        kinds |= {f"{kind} entered" for kind in PLACES}
        assert kinds | {"crash before commit", "crash after commit"} <= set(+seen)
