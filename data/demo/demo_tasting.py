"""Triangle sessions and scored tastings, with assessors known by a code only."""

from __future__ import annotations

from demo_chemistry import calendar
from demo_scenario import DISCRIMINATORS, Trial, Vessel, normal, stream
from demo_tables import Number, Table, Value

#: trial_id -> assessors in the session.
TRIANGLES = {
    "LS22-OND": 24,
    "LS24-KES": 18,
    "ML22-OST": 24,
    "ML23-PEL": 30,
    "ML24-MER": 18,
    "ML25-TAR": 36,
    "WC22-TAR": 24,
    "WC25-DOR": 18,
    "CS25-PEL": 24,
    "CS24-MER": 12,
}
#: trial_id -> (attribute, assessors)
SCORES = {
    "LS23-VSH": ("body", 12),
    "LS23-OST": ("body", 14),
    "LS25-OST": ("body", 12),
    "WC23-KES": ("green", 12),
    "WC24-TAR": ("green", 14),
    "WC25-SKM": ("green", 12),
}
#: attribute -> (mean of the control, treatment effect in points, sd of the sites)
_ATTRIBUTE = {"body": (5.4, 0.25, 0.15), "green": (3.1, 0.33, 0.05)}
ORDERS = ("AAB", "ABA", "BAA", "BBA", "BAB", "ABB")
_ODD = {"AAB": 3, "ABA": 2, "BAA": 1, "BBA": 3, "BAB": 2, "ABB": 1}


def triangle_sheet(trial: Trial) -> Table:
    """One session: the six orders in turn, dealt out at random, picks from a true share of discriminators."""
    draw = stream("triangle", trial.trial_id)
    panel = TRIANGLES[trial.trial_id]
    orders = [ORDERS[i % 6] for i in range(panel)]
    draw.shuffle(orders)
    share = DISCRIMINATORS[trial.question.question_id]
    treatment = trial.arms[1][0]
    session = f"{trial.trial_id}-tri1"
    when = calendar(trial).tasting
    rows: list[list[Value]] = []
    for number, order in enumerate(orders, 1):
        odd = _ODD[order]
        picked = odd if draw.random() < share else draw.choice((1, 2, 3))
        preferred = draw.choice((trial.control, treatment, treatment)) if picked == odd else ""
        assessor = f"P{number:02d}"
        pair = f"{trial.control}/{treatment}"
        rows.append([trial.trial_id, session, when, assessor, pair, order, Number(picked), preferred, ""])
    headings = "trial_id session_id session_date assessor_id arm_pair serving picked preferred note"
    return Table(headings.split(), rows, name="Triangle")


def wrong_picks(order: str, draw_key: str) -> Number:
    """A pick that is never the odd one: what a sheet with its key swapped looks like."""
    others = [place for place in (1, 2, 3) if place != _ODD[order]]
    return Number(stream("swapped", draw_key).choice(others))


def score_sheet(trial: Trial) -> Table:
    """One session on a 0 to 10 scale: every assessor scores one vessel of each arm."""
    attribute, panel = SCORES[trial.trial_id]
    mean, effect, tau = _ATTRIBUTE[attribute]
    truth = effect + tau * normal("score", trial.site.code, attribute)
    first: dict[str, Vessel] = {}
    for vessel in trial.vessels:
        first.setdefault(vessel.arm_id, vessel)
    rows: list[list[Value]] = []
    for number in range(1, panel + 1):
        own = 0.9 * normal("assessor", trial.trial_id, number)
        for arm_id, vessel in first.items():
            noise = 0.8 * normal("score", trial.trial_id, number, arm_id)
            score = min(max(mean + own + truth * vessel.dose + noise, 0.0), 10.0)
            rows.append(
                [
                    trial.trial_id,
                    f"{trial.trial_id}-sc1",
                    calendar(trial).tasting,
                    f"P{number:02d}",
                    arm_id,
                    vessel.vessel_id,
                    attribute,
                    Number(f"{round(score * 2) / 2:.1f}"),
                    Number("0"),
                    Number("10"),
                    "",
                ]
            )
    headings = (
        "trial_id session_id session_date assessor_id arm_id vessel_id attribute score "
        "scale_low scale_high note"
    )
    return Table(headings.split(), rows, name="Scores")
