"""The invented network: its sites, laboratories and questions, and the truth that its readings are drawn from.

Nothing here is measured. Sizes of effects and of scatter are chosen so that the network's answers differ in kind;
they are plausible to an enologist (common practice, no source) and are no evidence about winemaking.
"""

from __future__ import annotations

import random
from dataclasses import dataclass, field
from statistics import NormalDist

SEED = 20260117


@dataclass(frozen=True)
class Truth:
    """What is true of a question: on the log scale for `log` effects, in the analyte's unit otherwise.

    `effect` is for the treatment (for a question with levels: for each 10 units of level), `tau` the sd of the
    true effect between sites, `omega` between lots of one site, `vessel_sd` between vessels of one arm.
    """

    effect: float
    tau: float
    omega: float
    vessel_sd: float
    log: bool = True


#: question_id -> the truth about its primary response, and the answer it was chosen to give.
TRUTH = {
    "malolactic-timing": Truth(-0.70, 0.10, 0.05, 0.14),  # holds at new sites
    "nutrient-timing": Truth(-0.26, 0.16, 0.05, 0.07),  # holds on average: sites differ widely
    "lees-stirring": Truth(0.004, 0.006, 0.004, 0.022),  # no difference that matters
    "juice-clarity": Truth(+0.26, 0.06, 0.04, 0.07),  # works against the hypothesis
    "cold-soak": Truth(+0.05, 0.12, 0.05, 0.10),  # undecided
    "whole-cluster": Truth(+0.055, 0.022, 0.010, 0.07),  # more tannin with more whole clusters (dose)
    "bentonite-dose": Truth(-0.95, 0.0, 0.10, 0.30, log=False),  # one site only (NTU for each 10 g/hL)
}

#: (question, analyte) -> (effect, vessel-independent). Side effects on what is watched: log, or absolute for pH,
#: % vol, NTU and days. For a question with levels: for each 10 units of level.
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
    "glycerol": 0.012,
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
class Question:
    question_id: str
    code: str
    title: str
    hypothesis: str
    factor: str
    primary: tuple[str, str]
    wanted: str
    smallest: str
    smallest_unit: str
    theme: str
    control: tuple[str, str, str]  # arm_id, level, description
    treatments: tuple[tuple[str, str, str], ...]
    level_unit: str
    kind: str
    monitored: tuple[tuple[str, str], ...]
    volumes: tuple[int, ...]


QUESTIONS = (
    Question(
        "lees-stirring",
        "LS",
        "Does weekly lees stirring raise glycerol?",
        "If the lees are stirred every week from the end of primary ferment, then glycerol before bottling is higher",
        "lees stirring",
        ("glycerol", "pre_bottling"),
        "increase",
        "5",
        "%",
        "white texture",
        ("unstirred", "", "racked lees left at rest"),
        (("weekly", "", "lees stirred once a week for sixteen weeks"),),
        "",
        "barrel",
        (
            ("volatile_acidity", "pre_bottling"),
            ("so2_free", "pre_bottling"),
            ("heat_test_delta_ntu", "pre_bottling"),
        ),
        (225, 228, 300, 500),
    ),
    Question(
        "nutrient-timing",
        "NT",
        "Does nutrient at one third of sugar drop lower volatile acidity?",
        "If yeast nutrient is given at one third of sugar drop and not at inoculation, then volatile acidity "
        "at the end of primary ferment is lower",
        "nutrient timing",
        ("volatile_acidity", "end_primary"),
        "decrease",
        "10",
        "%",
        "clean ferments",
        ("at_start", "", "all nutrient at inoculation"),
        (("third_drop", "", "the same nutrient at one third of sugar drop"),),
        "",
        "tank",
        (
            ("glucose_fructose", "end_primary"),
            ("days_to_dry", "ferment_daily"),
            ("stuck", "ferment_daily"),
        ),
        (1000, 2000, 3000),
    ),
    Question(
        "malolactic-timing",
        "ML",
        "Does malolactic inoculation with the yeast lower diacetyl?",
        "If malolactic bacteria are added a day after the yeast and not after primary ferment, then diacetyl at "
        "the end of malolactic is lower",
        "malolactic timing",
        ("diacetyl", "end_mlf"),
        "decrease",
        "20",
        "%",
        "clean ferments",
        ("after_primary", "", "bacteria after primary ferment"),
        (("with_yeast", "", "bacteria one day after the yeast"),),
        "",
        "tank",
        (("volatile_acidity", "end_mlf"), ("ph", "end_mlf"), ("acetaldehyde", "end_mlf")),
        (600, 1000, 2000),
    ),
    Question(
        "whole-cluster",
        "WC",
        "Does a share of whole clusters raise tannin?",
        "If a share of the fruit goes in as whole clusters, then tannin before bottling is higher, the more so "
        "the larger the share",
        "whole clusters",
        ("tannin_mcp", "pre_bottling"),
        "increase",
        "5",
        "%",
        "red structure",
        ("destemmed", "0", "all fruit destemmed"),
        (
            ("wc15", "15", "15 % of the fruit as whole clusters"),
            ("wc30", "30", "30 % of the fruit as whole clusters"),
            ("wc60", "60", "60 % of the fruit as whole clusters"),
        ),
        "%",
        "open fermenter",
        (
            ("ph", "pre_bottling"),
            ("ethanol", "pre_bottling"),
            ("colour_intensity", "pre_bottling"),
            ("anthocyanins", "pre_bottling"),
        ),
        (800, 1200, 1500),
    ),
    Question(
        "juice-clarity",
        "JC",
        "Does a clearer juice lower volatile acidity?",
        "If juice is settled to about 50 NTU and not to about 200 NTU, then volatile acidity at the end of "
        "primary ferment is lower",
        "juice turbidity",
        ("volatile_acidity", "end_primary"),
        "decrease",
        "10",
        "%",
        "clean ferments",
        ("ntu_200", "200", "settled to about 200 NTU"),
        (("ntu_50", "50", "settled to about 50 NTU"),),
        "NTU",
        "tank",
        (("glycerol", "end_primary"), ("days_to_dry", "ferment_daily"), ("stuck", "ferment_daily")),
        (1000, 1500, 2500),
    ),
    Question(
        "cold-soak",
        "CS",
        "Does a five-day cold soak keep more anthocyanins?",
        "If the must soaks cold for five days before inoculation, then anthocyanins before bottling are higher",
        "cold soak",
        ("anthocyanins", "pre_bottling"),
        "increase",
        "10",
        "%",
        "red structure",
        ("no_soak", "0", "inoculated within a day of crushing"),
        (("soak_5d", "5", "five days at 8 to 10 °C before inoculation"),),
        "days",
        "open fermenter",
        (
            ("tannin_mcp", "pre_bottling"),
            ("colour_intensity", "pre_bottling"),
            ("volatile_acidity", "pre_bottling"),
        ),
        (1000, 1500, 2000),
    ),
    Question(
        "bentonite-dose",
        "BF",
        "How much does bentonite lower the heat test?",
        "If bentonite is added to the finished wine, then the rise in turbidity in the heat test is smaller",
        "bentonite dose",
        ("heat_test_delta_ntu", "pre_bottling"),
        "decrease",
        "1",
        "NTU",
        "stability",
        ("no_fining", "0", "no bentonite"),
        (("bent_40", "40", "40 g/hL of bentonite"), ("bent_80", "80", "80 g/hL of bentonite")),
        "g/hL",
        "tank",
        (("turbidity", "pre_bottling"), ("glycerol", "pre_bottling")),
        (500, 1000),
    ),
)
QUESTION_BY_CODE = {question.code: question for question in QUESTIONS}


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


# code, season, site code, cultivar, vessels an arm, paired blocks, treatment arms ("" = all of the question's)
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

    The sites' departures of a question are the normal scores of equal steps, scaled to sd `tau` exactly and dealt out
    by the seed: so that the network's answers do not hang on a lucky draw.
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
