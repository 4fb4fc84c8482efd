"""The invented network: its sites, laboratories and trials, and the truth its readings are drawn from.

Nothing here is measured. Sizes of effects and of scatter are chosen so that the network's answers differ
in kind; they are plausible to an enologist (common practice, no source) and no evidence about winemaking.
"""

from __future__ import annotations

import random
from dataclasses import dataclass, field
from statistics import NormalDist

from demo_questions import QUESTION_BY_CODE, QUESTIONS, Question

SEED = 20260117


@dataclass(frozen=True)
class Truth:
    """What is true of a question: on the log scale for `log` effects, in the analyte's unit otherwise.

    `effect` is for the treatment (for a question with levels: for each 10 units of level), `tau` the sd
    of the true effect between sites, `omega` between lots of one site, `vessel_sd` between vessels of an arm.
    """

    effect: float
    tau: float
    omega: float
    vessel_sd: float
    log: bool = True


#: question_id -> the truth about its primary response, and the answer it was chosen to give.
TRUTH = {
    "malolactic-timing": Truth(-0.70, 0.10, 0.03, 0.10),  # holds at new sites
    "nutrient-timing": Truth(-0.26, 0.16, 0.05, 0.07),  # holds on average: sites differ widely
    "lees-stirring": Truth(0.004, 0.006, 0.004, 0.015),  # no difference that matters
    "juice-clarity": Truth(+0.26, 0.06, 0.04, 0.07),  # works against the hypothesis
    "cold-soak": Truth(+0.05, 0.12, 0.05, 0.10),  # undecided
    "whole-cluster": Truth(+0.055, 0.022, 0.010, 0.07),  # more tannin with more whole clusters (dose)
    "bentonite-dose": Truth(-0.95, 0.0, 0.10, 0.30, log=False),  # one site only (NTU for each 10 g/hL)
}

#: (question, analyte) -> effect on what is watched: log, or absolute for pH, % vol, NTU and days.
#: For a question with levels: for each 10 units of level.
SIDE_EFFECTS = {
    ("malolactic-timing", "volatile_acidity"): 0.06,
    ("malolactic-timing", "acetaldehyde"): -0.18,
    ("lees-stirring", "heat_test_delta_ntu"): -0.8,
    ("lees-stirring", "so2_free"): -0.07,
    ("whole-cluster", "ph"): 0.014,
    ("whole-cluster", "ethanol"): -0.035,
    ("whole-cluster", "colour_intensity"): -0.018,
    ("whole-cluster", "anthocyanins"): -0.020,
    ("cold-soak", "tannin_mcp"): 0.02,
    ("juice-clarity", "days"): 3.2,
    ("nutrient-timing", "days"): -1.4,
    ("bentonite-dose", "turbidity"): -0.03,
}

#: Analytical scatter of one reading: relative, or absolute for the analytes in ABSOLUTE.
LABORATORY_SD = {
    "ph": 0.01,
    "titratable_acidity": 0.010,
    "volatile_acidity": 0.025,
    "malic_acid": 0.025,
    "lactic_acid": 0.025,
    "brix": 0.05,
    "yan": 0.03,
    "ethanol": 0.03,
    "glucose_fructose": 0.04,
    "glycerol": 0.008,
    "diacetyl": 0.05,
    "acetaldehyde": 0.05,
    "so2_free": 0.04,
    "so2_total": 0.02,
    "colour_intensity": 0.01,
    "hue": 0.008,
    "anthocyanins": 0.02,
    "tannin_mcp": 0.03,
    "turbidity": 0.05,
    "heat_test_delta_ntu": 0.10,
    "dissolved_oxygen": 0.05,
}
ABSOLUTE = frozenset({"ph", "brix", "ethanol", "heat_test_delta_ntu"})
#: Lasting difference between laboratories (relative, or absolute for ABSOLUTE); it cancels within a trial.
BETWEEN_LABORATORIES_SD = {"ph": 0.02, "brix": 0.1, "ethanol": 0.06, "heat_test_delta_ntu": 0.15}
BETWEEN_LABORATORIES_SD_OTHER = 0.03

#: Share of tasters who truly tell treatment from control.
DISCRIMINATORS = {
    "lees-stirring": 0.12,
    "malolactic-timing": 0.38,
    "whole-cluster": 0.45,
    "cold-soak": 0.05,
}


@dataclass(frozen=True)
class Site:
    site_id: str
    code: str
    name: str
    district: str
    lab: str


SITES = tuple(
    Site(*row)
    for row in (
        ("ondrel-bank", "OND", "Ondrel Bank", "Upper Lathe", "lab_alder"),
        ("vash-hollow", "VSH", "Vash Hollow", "Upper Lathe", "lab_birch"),
        ("pellam-rise", "PEL", "Pellam Rise", "Middle Lathe", "lab_alder"),
        ("kestrin-farm", "KES", "Kestrin Farm", "Upper Lathe", "lab_birch"),
        ("dorrow-mill", "DOR", "Dorrow Mill", "Lower Lathe", "lab_alder"),
        ("lunnet-field", "LUN", "Lunnet Field", "Middle Lathe", "lab_birch"),
        ("tarrow-bye", "TAR", "Tarrow Bye", "Upper Lathe", "lab_alder"),
        ("skelm-ridge", "SKM", "Skelm Ridge", "Lower Lathe", "lab_birch"),
        ("ostrey-court", "OST", "Ostrey Court", "Middle Lathe", "lab_alder"),
        ("hathen-down", "HTH", "Hathen Down", "Middle Lathe", "lab_birch"),
        ("merrit-slope", "MER", "Merrit Slope", "Lower Lathe", "lab_alder"),
    )
)
SITE_BY_CODE = {site.code: site for site in SITES}


@dataclass(frozen=True)
class Vessel:
    arm_id: str
    vessel_id: str
    kind: str
    volume_l: int
    block: str
    dose: float  # times the question's effect: 0 control, 1 treatment, or tens of level


@dataclass(frozen=True)
class Trial:
    trial_id: str
    season: int
    site: Site
    question: Question
    lot: str
    cultivar: str
    colour: str
    status: str
    status_reason: str
    arms: tuple[tuple[str, str, str, str], ...]  # arm_id, role, level, description
    vessels: tuple[Vessel, ...] = field(default=())

    @property
    def control(self) -> str:
        return self.question.control[0]

    @property
    def lab(self) -> str:
        return self.site.lab


# code, season, site code, cultivar, vessels an arm, paired blocks (y), treatment arms (. = all)
_PLAN = """
LS 2022 OND Chardonnay       2 y .
LS 2023 OND Chardonnay       1 . .
LS 2023 VSH Chardonnay       3 y .
LS 2022 KES Chardonnay       1 . .
LS 2024 KES Chardonnay       2 . .
LS 2024 LUN Sauvignon blanc  1 . .
LS 2023 OST Chardonnay       3 y .
LS 2025 OST Chardonnay       1 . .
LS 2025 MER Chardonnay       2 y .
NT 2022 PEL Merlot           1 . .
NT 2022 DOR Syrah            2 . .
NT 2023 DOR Syrah            1 . .
NT 2023 LUN Riesling         2 . .
NT 2024 SKM Syrah            3 . .
NT 2024 HTH Riesling         1 . .
NT 2025 HTH Riesling         1 . .
NT 2025 VSH Riesling         2 . .
ML 2022 OND Chardonnay       1 . .
ML 2022 OST Merlot           2 . .
ML 2023 PEL Merlot           2 . .
ML 2024 DOR Merlot           1 . .
ML 2023 TAR Pinot noir       1 . .
ML 2025 TAR Pinot noir       3 . .
ML 2024 MER Merlot           1 . .
ML 2025 KES Chardonnay       2 . .
WC 2022 TAR Pinot noir       1 . wc30
WC 2023 TAR Pinot noir       1 . wc15,wc30,wc60
WC 2024 TAR Pinot noir       2 . wc30,wc60
WC 2023 KES Pinot noir       2 . wc15,wc30,wc60
WC 2023 SKM Syrah            1 . wc30
WC 2025 SKM Syrah            2 . wc15,wc30,wc60
WC 2025 DOR Syrah            1 . wc30
WC 2024 OND Pinot noir       1 . wc15,wc30,wc60
JC 2022 VSH Riesling         1 . .
JC 2024 VSH Riesling         2 . .
JC 2022 LUN Sauvignon blanc  2 . .
JC 2022 HTH Pinot blanc      1 . .
JC 2023 HTH Pinot blanc      3 . .
JC 2024 OST Chardonnay       1 . .
JC 2023 MER Chardonnay       2 . .
CS 2024 PEL Cabernet franc   1 . .
CS 2025 PEL Cabernet franc   2 . .
CS 2025 KES Pinot noir       1 . .
CS 2022 SKM Syrah            1 . .
CS 2024 MER Merlot           2 . .
CS 2025 OST Merlot           1 . .
BF 2024 LUN Sauvignon blanc  2 . .
BF 2025 LUN Sauvignon blanc  1 . .
"""
RED = frozenset({"Merlot", "Syrah", "Pinot noir", "Cabernet franc"})
LOST = {"CS22-SKM": "cooling failed on the third day; both vessels were blended away"}
_VESSEL_LETTER = {"barrel": "B", "tank": "T", "open fermenter": "F"}


def stream(*key: object) -> random.Random:
    """A stream of chance of its own for this key: adding a trial never changes another trial's values."""
    return random.Random("/".join(map(str, (SEED, *key))))


def normal(*key: object) -> float:
    """A standard normal score, always the same for the same key.

    From `Random.random()`, whose sequence Python promises to keep, through the inverse normal.
    """
    return NormalDist().inv_cdf(min(max(stream(*key).random(), 1e-9), 1 - 1e-9))


def _dose(question: Question, arm: tuple[str, ...]) -> float:
    if arm[1] == "control":
        return 0.0
    return float(arm[2]) / 10 if len(question.treatments) > 1 else 1.0


def trials() -> tuple[Trial, ...]:
    """All trials of the network, with their arms and vessels."""
    out = []
    for line in filter(None, _PLAN.splitlines()):
        code, season_text, site_code, rest = line.split(maxsplit=3)
        *cultivar, count_text, paired, wanted = rest.split()
        season, count = int(season_text), int(count_text)
        question, site = QUESTION_BY_CODE[code], SITE_BY_CODE[site_code]
        trial_id = f"{code}{season % 100}-{site_code}"
        treatments = [arm for arm in question.treatments if wanted == "." or arm[0] in wanted.split(",")]
        arms = [(question.control[0], "control", *question.control[1:])]
        arms += [(arm_id, "treatment", level, words) for arm_id, level, words in treatments]
        draw = stream("vessels", trial_id)
        letter = _VESSEL_LETTER[question.kind]
        first = draw.randrange(11, 60)
        volume = draw.choice(question.volumes)
        places = [(index, arm) for index in range(count) for arm in arms]
        vessels = tuple(
            Vessel(
                arm[0],
                f"{letter}{first + number}",
                question.kind,
                volume,
                f"pair {index + 1}" if paired == "y" else "",
                _dose(question, arm),
            )
            for number, (index, arm) in enumerate(places)
        )
        name = " ".join(cultivar)
        lost = LOST.get(trial_id, "")
        out.append(
            Trial(
                trial_id,
                season,
                site,
                question,
                f"{site_code}-{''.join(word[0] for word in name.split()).upper()}{draw.randrange(1, 9)}",
                name,
                "red" if name in RED else "white",
                "lost" if lost else "complete",
                lost,
                tuple(arms),
                vessels,
            )
        )
    return tuple(out)


def true_effects(all_trials: tuple[Trial, ...]) -> dict[str, float]:
    """The true effect of each trial (for levels: of each 10 units of level).

    The sites' departures of a question are normal scores in equal steps, scaled to sd `tau` exactly and
    dealt out by the seed, so that the network's answers do not hang on a lucky draw.
    """
    out: dict[str, float] = {}
    for question in QUESTIONS:
        truth = TRUTH[question.question_id]
        mine = [trial for trial in all_trials if trial.question is question]
        sites = sorted({trial.site.code for trial in mine})
        scores = [NormalDist().inv_cdf((i + 0.5) / len(sites)) for i in range(len(sites))]
        spread = (sum(score**2 for score in scores) / max(len(sites) - 1, 1)) ** 0.5 or 1.0
        stream("sites", question.code).shuffle(scores)
        at = {site: truth.tau * score / spread for site, score in zip(sites, scores, strict=True)}
        for trial in mine:
            out[trial.trial_id] = (
                truth.effect + at[trial.site.code] + truth.omega * normal("lot", trial.trial_id)
            )
    return out
