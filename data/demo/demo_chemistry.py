"""What is truly in each vessel and what a laboratory reads of it; values move together as in a cellar."""

from __future__ import annotations

import math
from dataclasses import dataclass
from datetime import date, timedelta

from demo_scenario import (
    ABSOLUTE,
    BETWEEN_LABORATORIES_SD,
    BETWEEN_LABORATORIES_SD_OTHER,
    LABORATORY_SD,
    SIDE_EFFECTS,
    TRUTH,
    Trial,
    Vessel,
    normal,
    stream,
)

#: Canonical unit as the readings are drawn; a laboratory may write another.
MUST = ("brix", "ph", "titratable_acidity", "malic_acid", "yan")
END_PRIMARY = (
    "ethanol",
    "glucose_fructose",
    "ph",
    "titratable_acidity",
    "volatile_acidity",
    "malic_acid",
)
END_MLF = ("malic_acid", "lactic_acid", "ph", "titratable_acidity", "volatile_acidity")
BOTTLING = ("ethanol", "ph", "titratable_acidity", "volatile_acidity", "so2_free", "so2_total")
RED_BOTTLING = ("anthocyanins", "tannin_mcp", "colour_intensity", "hue")

_MALOLACTIC = frozenset({"ML", "WC", "CS"})  # and every red
_ANTHOCYANINS = {"Pinot noir": 165.0, "Merlot": 410.0, "Syrah": 460.0, "Cabernet franc": 360.0}
_TANNIN = {"Pinot noir": 0.95, "Merlot": 1.75, "Syrah": 1.60, "Cabernet franc": 1.85}
_COLOUR = {"Pinot noir": 5.2, "Merlot": 9.6, "Syrah": 12.4, "Cabernet franc": 8.8}
#: A vessel whose ferment stuck: a result, not a fault.
STUCK = {("NT24-SKM", "T47"): 4.2}  # °Bx left


@dataclass(frozen=True)
class Calendar:
    harvest: date
    inoculation: date
    end_primary: date
    end_mlf: date
    pre_bottling: date
    tasting: date

    def of(self, stage: str) -> date:
        return {
            "juice": self.harvest + timedelta(days=1),
            "end_primary": self.end_primary,
            "end_mlf": self.end_mlf,
            "pre_bottling": self.pre_bottling,
            "sensory": self.tasting,
        }[stage]


def calendar(trial: Trial) -> Calendar:
    """The days on which both arms of a trial were sampled."""
    draw = stream("days", trial.trial_id)
    start = date(trial.season, 9, 12) if trial.colour == "white" else date(trial.season, 9, 21)
    harvest = start + timedelta(days=draw.randrange(2, 15))
    soak = 6 if trial.question.code == "CS" else 1
    inoculation = harvest + timedelta(days=soak + 1)
    length = 30 if trial.colour == "white" else 22
    end_primary = inoculation + timedelta(days=length + draw.randrange(0, 6))
    end_mlf = end_primary + timedelta(days=draw.randrange(42, 75))
    rest = 170 if trial.colour == "white" else 235
    pre_bottling = end_primary + timedelta(days=rest + draw.randrange(0, 20))
    tasting = pre_bottling + timedelta(days=draw.randrange(35, 70))
    return Calendar(harvest, inoculation, end_primary, end_mlf, pre_bottling, tasting)


def has_malolactic(trial: Trial) -> bool:
    return trial.colour == "red" or trial.question.code in _MALOLACTIC


@dataclass(frozen=True)
class Lot:
    """The fruit that a trial's vessels share."""

    brix: float
    ph: float
    acidity: float
    malic: float
    yan: float
    alcohol_per_brix: float
    volatile: float
    glycerol: float
    diacetyl: float
    acetaldehyde: float
    free: float
    total: float
    heat: float
    anthocyanins: float
    tannin: float
    colour: float
    days: float
    peak: float


def lot(trial: Trial) -> Lot:
    """One lot of fruit: riper means more sugar, less malic, higher pH."""
    key = trial.lot, trial.season
    ripe = normal("ripe", *key)

    def z(what: str) -> float:
        return normal(what, *key)

    white = trial.colour == "white"
    brix = (21.6 if white else 24.1) + 0.8 * ripe
    ph = (3.20 if white else 3.46) + 0.05 * ripe + 0.03 * z("ph")
    malic = (3.2 if white else 2.3) * math.exp(-0.12 * ripe + 0.12 * z("malic"))
    acidity = 10 * ((3.98 if white else 4.16) + 0.05 * z("buffer") - ph)
    name = trial.cultivar
    free = (30 if white else 26) * math.exp(0.08 * z("free"))
    return Lot(
        brix=brix,
        ph=ph,
        acidity=acidity,
        malic=malic,
        yan=165 * math.exp(0.22 * z("yan")),
        alcohol_per_brix=0.578 + 0.008 * z("yield"),
        volatile=(0.27 if white else 0.31) * math.exp(0.12 * z("va")),
        glycerol=(6.6 if white else 9.2) * math.exp(0.06 * z("glycerol") + 0.03 * ripe),
        diacetyl=2.1 * math.exp(0.25 * z("diacetyl")),
        acetaldehyde=28 * math.exp(0.2 * z("acetaldehyde")),
        free=free,
        total=free * (3.1 if white else 2.5) * math.exp(0.06 * z("total")),
        heat=3.0 + 0.8 * z("heat"),
        anthocyanins=_ANTHOCYANINS.get(name, 0.0) * math.exp(0.12 * z("antho")),
        tannin=_TANNIN.get(name, 0.0) * math.exp(0.14 * z("tannin")),
        colour=_COLOUR.get(name, 0.0) * math.exp(0.10 * z("antho")),
        days=(16.5 if white else 9.0) + 1.2 * z("days"),
        peak=(17.0 if white else 28.5) + 0.8 * z("peak"),
    )


def _scatter(trial: Trial, vessel: Vessel, what: str) -> float:
    """The vessel's own standard score; vessels of a pair share half of its variance."""
    own = normal("vessel", trial.trial_id, vessel.vessel_id, what)
    if not vessel.block:
        return own
    shared = normal("block", trial.trial_id, vessel.block, what)
    return math.sqrt(0.5) * (own + shared)


_VESSEL_SD = {
    "volatile_acidity": 0.07,
    "glycerol": 0.022,
    "diacetyl": 0.14,
    "acetaldehyde": 0.12,
    "so2_free": 0.06,
    "so2_total": 0.03,
    "anthocyanins": 0.08,
    "tannin_mcp": 0.07,
    "colour_intensity": 0.04,
    "glucose_fructose": 0.25,
    "malic_acid": 0.02,
    "yan": 0.03,
    "turbidity": 0.15,
    "dissolved_oxygen": 0.12,
    "heat_test_delta_ntu": 0.30,
    "ethanol": 0.04,
    "ph": 0.012,
    "titratable_acidity": 0.012,
    "brix": 0.08,
    "hue": 0.012,
    "lactic_acid": 0.02,
    "days": 0.6,
}


def contents(trial: Trial, effect: float) -> dict[str, dict[tuple[str, str], float]]:
    """For each vessel the true value of each (stage, analyte), in canonical units."""
    return {vessel.vessel_id: _vessel(trial, vessel, effect) for vessel in trial.vessels}


def _vessel(trial: Trial, vessel: Vessel, effect: float) -> dict[tuple[str, str], float]:
    base, question = lot(trial), trial.question
    truth = TRUTH[question.question_id]

    def times(analyte: str, value: float) -> float:
        sd = truth.vessel_sd if analyte == question.primary[0] else _VESSEL_SD[analyte]
        return value * math.exp(sd * _scatter(trial, vessel, analyte) + move(analyte))

    def plus(analyte: str, value: float) -> float:
        return value + _VESSEL_SD[analyte] * _scatter(trial, vessel, analyte) + move(analyte)

    def move(analyte: str) -> float:
        if analyte == question.primary[0]:
            return effect * vessel.dose
        return SIDE_EFFECTS.get((question.question_id, analyte), 0.0) * vessel.dose

    out: dict[tuple[str, str], float] = {}
    white = trial.colour == "white"
    left = STUCK.get((trial.trial_id, vessel.vessel_id), 0.0)
    brix = base.brix + _VESSEL_SD["brix"] * _scatter(trial, vessel, "brix")
    malic = times("malic_acid", base.malic)
    acidity = times("titratable_acidity", base.acidity)
    ph = plus("ph", base.ph)
    out["juice", "brix"] = brix
    out["juice", "ph"] = ph - move("ph")
    out["juice", "titratable_acidity"] = acidity
    out["juice", "malic_acid"] = malic
    out["juice", "yan"] = times("yan", base.yan)
    if question.code == "JC":
        out["juice", "turbidity"] = (52 if vessel.dose else 205) * math.exp(
            0.12 * _scatter(trial, vessel, "clarity")
        )

    ethanol = plus("ethanol", brix * base.alcohol_per_brix) - left * 0.55
    sugar = (
        times("glucose_fructose", 0.9 if white else 0.45)
        + left * 9.3
        + (0.3 if question.code == "NT" and not vessel.dose else 0)
    )
    glycerol = times("glycerol", base.glycerol)
    volatile = times("volatile_acidity", base.volatile)
    primary_malic = 0.93 * malic
    primary_acidity = acidity - 0.35 - 0.45 * (malic - primary_malic)
    primary_ph = ph + (0.04 if white else 0.09)
    out["end_primary", "ethanol"] = ethanol
    out["end_primary", "glucose_fructose"] = sugar
    out["end_primary", "ph"] = primary_ph
    out["end_primary", "titratable_acidity"] = primary_acidity
    out["end_primary", "volatile_acidity"] = volatile
    out["end_primary", "malic_acid"] = primary_malic
    if question.code == "JC":
        out["end_primary", "glycerol"] = glycerol

    last_acidity, last_ph, last_volatile = primary_acidity, primary_ph, volatile
    if has_malolactic(trial):
        rest = 0.07 * math.exp(0.4 * normal("rest", trial.trial_id, vessel.vessel_id))
        turned = primary_malic - rest
        last_acidity = primary_acidity - 0.55 * turned
        last_ph = primary_ph + 0.055 * turned
        last_volatile = volatile + 0.05
        out["end_mlf", "malic_acid"] = rest
        out["end_mlf", "lactic_acid"] = 0.05 + 0.655 * turned
        out["end_mlf", "ph"] = last_ph
        out["end_mlf", "titratable_acidity"] = last_acidity
        out["end_mlf", "volatile_acidity"] = last_volatile
        if question.code == "ML":
            out["end_mlf", "diacetyl"] = times("diacetyl", base.diacetyl)
            out["end_mlf", "acetaldehyde"] = times("acetaldehyde", base.acetaldehyde)

    out["pre_bottling", "ethanol"] = ethanol - 0.03
    out["pre_bottling", "ph"] = last_ph + 0.01
    out["pre_bottling", "titratable_acidity"] = last_acidity - 0.10
    out["pre_bottling", "volatile_acidity"] = last_volatile + 0.03
    out["pre_bottling", "so2_free"] = times("so2_free", base.free)
    out["pre_bottling", "so2_total"] = times("so2_total", base.total)
    out["pre_bottling", "dissolved_oxygen"] = times("dissolved_oxygen", 0.30)
    if white:
        out["pre_bottling", "turbidity"] = times("turbidity", 1.1)
    else:
        out["pre_bottling", "anthocyanins"] = times("anthocyanins", base.anthocyanins)
        out["pre_bottling", "tannin_mcp"] = times("tannin_mcp", base.tannin)
        out["pre_bottling", "colour_intensity"] = times("colour_intensity", base.colour)
        out["pre_bottling", "hue"] = times("hue", 0.66)
    if question.code in ("LS", "BF"):
        out["pre_bottling", "glycerol"] = glycerol
        heat = plus("heat_test_delta_ntu", base.heat + (7.5 if question.code == "BF" else 0))
        out["pre_bottling", "heat_test_delta_ntu"] = max(heat, 0.2)
    return out


def reading(
    lab: str, trial: Trial, vessel_id: str, stage: str, analyte: str, value: float, replicate: int = 1
) -> float:
    """What this laboratory reads of a true value, in the canonical unit."""
    bias = normal("laboratory", lab, analyte)
    noise = normal("reading", trial.trial_id, vessel_id, stage, analyte, replicate)
    within = LABORATORY_SD[analyte]
    between = BETWEEN_LABORATORIES_SD.get(analyte, BETWEEN_LABORATORIES_SD_OTHER)
    if analyte in ABSOLUTE:
        return value + between * bias + within * noise
    return value * math.exp(between * bias + within * noise)


def ferment(trial: Trial, vessel: Vessel, effect: float) -> list[tuple[date, float, float]]:
    """The vessel's ferment log: day, °Bx (a logistic fall), °C (a rise and fall around the fastest day)."""
    del effect
    base, days = lot(trial), calendar(trial)
    start = base.brix + _VESSEL_SD["brix"] * _scatter(trial, vessel, "brix")
    left = STUCK.get((trial.trial_id, vessel.vessel_id), 0.0)
    end = left if left else -1.6
    shift = SIDE_EFFECTS.get((trial.question.question_id, "days"), 0.0) * vessel.dose
    length = base.days + shift + _VESSEL_SD["days"] * _scatter(trial, vessel, "days")
    middle, slope = 0.42 * length, 7.2 / length
    step = 1 if trial.colour == "red" else 2
    out = []
    level = 1 / (1 + math.exp(-slope * middle))
    for day in range(0, math.ceil(length * 1.35) + step, step):
        sigmoid = 1 / (1 + math.exp(slope * (day - middle)))
        noise = 0.07 * normal("log", trial.trial_id, vessel.vessel_id, day)
        brix = end + (start - end) * min(sigmoid / level, 1.0) + noise
        warm = base.peak - 12 if trial.colour == "red" else base.peak - 4
        celsius = warm + (base.peak - warm) * math.exp(-(((day - middle) / (0.38 * length)) ** 2))
        celsius += 0.3 * normal("warm", trial.trial_id, vessel.vessel_id, day)
        out.append((days.inoculation + timedelta(days=day), brix, celsius))
    return out


def sg_of(brix: float) -> float:
    """Apparent specific gravity 20/20 of a sucrose solution: from °Brix.

    Brix to SG by solving the polynomial of the US National Bureau of Standards (circular 440) for SG.
    """
    low, high = 0.97, 1.2
    for _ in range(60):
        sg = (low + high) / 2
        found = 182.4601 * sg**3 - 775.6821 * sg**2 + 1262.7794 * sg - 669.5622
        low, high = (sg, high) if found < brix else (low, sg)
    return (low + high) / 2
