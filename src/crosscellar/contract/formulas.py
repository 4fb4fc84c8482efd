"""The arithmetic of the trade: each function with its formula, its units and its source.

Every function takes floats or numpy arrays and returns the same shape. None of them gives a dose or decides
on compliance; sulfur dioxide and alcohol are work for trained people under local codes.
"""

from __future__ import annotations

from typing import Any, Final

import numpy as np
import numpy.typing as npt

Numbers = float | npt.NDArray[np.float64]

#: Density of ethanol at 20 °C, kg/m3 (Directive 76/766/EEC).
ETHANOL_20: Final = 789.239

MOLAR_MASS: Final = {
    "tartaric": 150.087,
    "sulfuric": 98.079,
    "malic": 134.087,
    "citric": 192.124,
    "lactic": 90.078,
    "acetic": 60.052,
    "succinic": 118.088,
}
_PROTONS: Final = {
    "tartaric": 2,
    "sulfuric": 2,
    "malic": 2,
    "citric": 3,
    "lactic": 1,
    "acetic": 1,
    "succinic": 2,
}
_NITROGEN: Final = 14.007


# ---- sugar and density ----


def brix_from_sg(sg: Numbers) -> Numbers:
    """Apparent Brix from specific gravity 20/20.

    Bx = 182.4601 SG^3 - 775.6821 SG^2 + 1262.7794 SG - 669.5622 (NBS Circular 440; rms 0.0009 °Bx between
    SG 1.00000 and 1.17874). Below 1 it is continued, which gives the negative apparent Brix of a dry wine.
    """
    return ((182.4601 * sg - 775.6821) * sg + 1262.7794) * sg - 669.5622


def sg_from_brix(brix: Numbers) -> Numbers:
    """True specific gravity 20/20 of a sucrose solution, by the 10-term polynomial of Hackbarth (2011)."""
    share = np.asarray(brix, dtype=float) / 100.0
    terms = (
        1.0,
        0.3875135555,
        0.09702881653,
        0.3883357480,
        -1.782845295,
        5.591472292,
        -11.00667976,
        13.62230734,
        -10.33082001,
        4.387787019,
        -0.7995558730,
    )
    return _same_kind(np.polynomial.polynomial.polyval(share, terms), brix)


def apparent_sg_from_brix(brix: Numbers) -> Numbers:
    """Apparent specific gravity 20/20: the inverse of `brix_from_sg`, by Newton's method."""
    wanted = np.asarray(brix, dtype=float)
    sg = 1.0 + 0.004 * wanted
    for _ in range(8):
        slope = (3 * 182.4601 * sg - 2 * 775.6821) * sg + 1262.7794
        sg = sg - (brix_from_sg(sg) - wanted) / slope
    return _same_kind(sg, brix)


def brix_from_refractive_index(index: Numbers) -> Numbers:
    """Brix from the refractive index at 20 °C and 589 nm (ICUMSA fit, printed with NBS Circular 440)."""
    n = index
    return ((((11758.74 * n - 88885.21) * n + 270177.93) * n - 413145.80) * n + 318417.95) * n - 99127.4536


#: The rows of OIV-MA-AS2-02, Table I, that could be read: Brix -> (°C, what to add); at 20 °C it is 0.
_REFRACTOMETER: Final = {
    10.0: ((5.0, 10.0, 15.0, 20.0), (-0.82, -0.59, -0.32, 0.0)),
    15.0: ((10.0, 15.0, 20.0), (-0.62, -0.33, 0.0)),
    20.0: ((5.0, 10.0, 13.0, 15.0, 16.0, 17.0, 20.0), (-0.92, -0.65, -0.47, -0.34, -0.28, -0.21, 0.0)),
    25.0: ((10.0, 15.0, 17.0, 20.0), (-0.67, -0.35, -0.21, 0.0)),
    30.0: ((10.0, 20.0), (-0.69, 0.0)),
}


def refractometer_correction(temperature: Numbers, brix: Numbers) -> Numbers:
    """What to add to a refractometer's percent reading at `temperature` (°C) to bring it to 20 °C.

    Interpolated between the rows of OIV-MA-AS2-02, Table I, that could be read: 10 to 20 °C for 10 to 30 %,
    5 to 10 °C for 10 to 20 %. NaN elsewhere: the warm rows were not reached. Do not correct again what an
    instrument has already compensated.
    """
    t, b = np.broadcast_arrays(np.asarray(temperature, dtype=float), np.asarray(brix, dtype=float))
    columns = np.array(list(_REFRACTOMETER))
    at = np.stack([np.interp(t, rows, added) for rows, added in _REFRACTOMETER.values()])
    # The column of 15 % was read from 10 °C on; colder, it is taken midway between its neighbours.
    at[1] = np.where(t < 10.0, (at[0] + at[2]) / 2.0, at[1])
    place = np.clip((b - columns[0]) / 5.0, 0.0, len(columns) - 1.0)
    left = np.minimum(np.floor(np.nan_to_num(place)).astype(int), len(columns) - 2)
    below = np.take_along_axis(at, left[np.newaxis], axis=0)[0]
    above = np.take_along_axis(at, left[np.newaxis] + 1, axis=0)[0]
    value = below + (above - below) * (place - left)
    inside = (b >= 10.0) & (t <= 20.0) & (((t >= 10.0) & (b <= 30.0)) | ((t >= 5.0) & (b <= 20.0)))
    return _same_kind(np.where(inside, value, np.nan), temperature if np.ndim(temperature) else brix)


def hydrometer_sg_at_20(reading: Numbers, temperature: Numbers) -> Numbers:
    """Specific gravity at 20 °C from a hydrometer calibrated at 20 °C and read at `temperature` (°C).

    SG f(t) / f(68), f the cubic in °F that Lyons (1992) fitted to the expansion of water; in must a small
    error remains.
    """

    def expansion(fahrenheit: Numbers) -> Numbers:
        f = fahrenheit
        return 1.00130346 + f * (-0.000134722124 + f * (0.00000204052596 - 0.00000000232820948 * f))

    return reading * expansion(temperature * 1.8 + 32.0) / expansion(68.0)


def oechsle_from_sg(sg: Numbers) -> Numbers:
    """Degrees Oechsle: 1000 (SG - 1), by definition."""
    return (sg - 1.0) * 1000.0


def sg_from_oechsle(oechsle: Numbers) -> Numbers:
    """Specific gravity: 1 + Oe / 1000, by definition."""
    return 1.0 + oechsle / 1000.0


def baume_from_sg(sg: Numbers) -> Numbers:
    """Degrees Baumé with the modulus 145: 145 - 145 / SG."""
    return 145.0 - 145.0 / sg


def sg_from_baume(baume: Numbers) -> Numbers:
    """Specific gravity from degrees Baumé with the modulus 145: 145 / (145 - Bé)."""
    return 145.0 / (145.0 - baume)


def oechsle_from_kmw(kmw: Numbers) -> Numbers:
    """Degrees Oechsle from KMW: KMW (0.022 KMW + 4.54) (an instrument's manual)."""
    return kmw * (0.022 * kmw + 4.54)


def grape_sugar_from_oechsle(oechsle: Numbers) -> Numbers:
    """Sugar of grape must in g/L: 2.66 Oe - 30 (an instrument's manual), an approximation."""
    return 2.66 * oechsle - 30.0


def sugar_from_brix(brix: Numbers) -> Numbers:
    """All solids as sucrose in g/L: 10 Bx SG 0.9982; overstates what can ferment."""
    return 10.0 * brix * apparent_sg_from_brix(brix) * 0.9982


def sg_from_density(density: Numbers) -> Numbers:
    """Specific gravity 20/20 from density in g/mL: density x 1.001803 (OIV-MA-AS2-03B prints 1.00180)."""
    return density * 1.001803


def density_from_sg(sg: Numbers) -> Numbers:
    """Density in g/mL from specific gravity 20/20: SG / 1.001803 (OIV-MA-AS2-03B)."""
    return sg / 1.001803


def density_without_so2(density: Numbers, total_so2: Numbers) -> Numbers:
    """Density in g/mL corrected for total SO2 in g/L: density - 0.0006 SO2 (OIV-MA-AS2-01A)."""
    return density - 0.0006 * total_so2


def water_density(temperature: Numbers) -> Numbers:
    """Density of air-free water in g/cm3 at `temperature` in °C, 0 to 40 (Kell 1975, recalled from memory).

    The handbook table that Lyons (1992) prints is per millilitre of the old litre (1.000028 dm3): larger by
    that factor.
    """
    t = temperature
    above = 999.83952 + t * (
        16.945176 + t * (-7.9870401e-3 + t * (-46.170461e-6 + t * (105.56302e-9 - 280.54253e-12 * t)))
    )
    return above / (1.0 + 16.879850e-3 * t) / 1000.0


# ---- alcohol ----


def mixture_density(alcohol: Numbers) -> Numbers:
    """Density in kg/m3 at 20 °C of ethanol and water, from % vol (Directive 76/766/EEC, Annex).

    rho = A1 + sum A_k p^(k-1) over the mass share p at 20 °C. A1 to A4 were read in print, the later
    coefficients are recalled; water (998.20123) and ethanol (789.239) come out as printed.
    """
    return _mixture_density_by_mass(np.asarray(mass_share_from_volume(alcohol))) + 0.0 * alcohol


_ALCOHOL_TERMS: Final = (
    9.982012300e2,
    -1.929769495e2,
    3.891238958e2,
    -1.668103923e3,
    1.352215441e4,
    -8.829278388e4,
    3.062874042e5,
    -6.138381234e5,
    7.470172998e5,
    -5.478461354e5,
    2.234460334e5,
    -3.903285426e4,
)


def _mixture_density_by_mass(share: npt.NDArray[np.float64]) -> npt.NDArray[np.float64]:
    return np.asarray(np.polynomial.polynomial.polyval(share, _ALCOHOL_TERMS), dtype=np.float64)


def alcohol_by_volume_from_mass(mass_percent: Numbers) -> Numbers:
    """% vol at 20 °C from % mass: w rho(w) / 789.239 (Directive 76/766/EEC)."""
    share = np.asarray(mass_percent, dtype=float) / 100.0
    return _same_kind(100.0 * share * _mixture_density_by_mass(share) / ETHANOL_20, mass_percent)


def mass_share_from_volume(alcohol: Numbers) -> Numbers:
    """Mass share (0 to 1) of ethanol at 20 °C from % vol, by fixed-point iteration on the density."""
    wanted = np.asarray(alcohol, dtype=float) / 100.0 * ETHANOL_20
    share = wanted / 998.0
    for _ in range(60):
        share = wanted / _mixture_density_by_mass(share)
    return _same_kind(share, alcohol)


def alcohol_by_volume_from_grams(grams_per_litre: Numbers) -> Numbers:
    """% vol from g/L of ethanol: g/L / 7.89239 (density of ethanol at 20 °C, Directive 76/766/EEC)."""
    return grams_per_litre / 7.89239


def potential_alcohol(sugar: Numbers, *, grams_per_percent: float = 16.83) -> Numbers:
    """% vol that `sugar` in g/L may give.

    16.83 g/L for each % vol is the ratio of EU texts; laboratories find 16.5 to 17.2.
    """
    return sugar / grams_per_percent


def sugar_per_percent_at_most() -> float:
    """Sugar in g/L behind 1 % vol by stoichiometry alone: 7.89239 x 180.156 / (2 x 46.068)."""
    return 7.89239 * 180.156 / (2.0 * 46.068)


def sg_of_residue(sg_wine: Numbers, sg_alcohol: Numbers) -> Numbers:
    """Specific gravity of the residue without alcohol: SG wine - SG alcohol + 1 (Tabarié; OIV-MA-AS2-03B)."""
    return sg_wine - sg_alcohol + 1.0


def sugar_free_extract(density: Numbers, alcohol: Numbers, sugar: Numbers) -> Numbers:
    """Extract without sugar in g/L from density (g/mL), alcohol (% vol) and sugar (g/L).

    2580 x 1.0018 (density - density of the mixture) - sugar (OIV-MA-AS2-03B; the factor 2580 is from memory).
    """
    return 2580.0 * 1.0018 * (density - mixture_density(alcohol) / 1000.0) - sugar


# ---- acidity ----


def equivalent_weight(acid: str) -> float:
    """Grams of an acid for one equivalent: its molar mass over its acid protons.

    `acid`: tartaric, sulfuric, malic, citric, lactic, acetic, succinic.
    """
    return MOLAR_MASS[acid] / _PROTONS[acid]


def acidity_factor(start: str, to: str) -> float:
    """What turns g/L of one acid into g/L of another of the same titre: the ratio of equivalent weights."""
    return equivalent_weight(to) / equivalent_weight(start)


def titratable_acidity_from_titration(titre: Numbers, normality: Numbers, sample: Numbers) -> Numbers:
    """Titratable acidity in g/L as tartaric: 75.04 V N / sample.

    From mL of base (V), its normality (N) and mL of sample.
    """
    return 75.04 * titre * normality / sample


def lactic_from_malic(malic: Numbers) -> Numbers:
    """Grams of lactic acid from grams of malic acid over malolactic: 90.078 / 134.087."""
    return malic * MOLAR_MASS["lactic"] / MOLAR_MASS["malic"]


def carbon_dioxide_from_malic(malic: Numbers) -> Numbers:
    """Grams of carbon dioxide from grams of malic acid over malolactic: 44.009 / 134.087."""
    return malic * 44.009 / MOLAR_MASS["malic"]


# ---- nitrogen ----


def yan(ammonia: Numbers, primary_amino_nitrogen: Numbers) -> Numbers:
    """Yeast assimilable nitrogen in mg N/L: 0.8225 NH3 + PAN, NH3 in mg/L, PAN in mg N/L (AWRI)."""
    return 0.8225 * ammonia + primary_amino_nitrogen


def nitrogen_of_dap(dap: Numbers) -> Numbers:
    """Nitrogen in diammonium phosphate, same unit: 2 x 14.007 / 132.056 (molar masses). Not a dose."""
    return dap * 2.0 * _NITROGEN / 132.056


# ---- sulfur dioxide ----


def molecular_so2(free: Numbers, ph: Numbers, pka: Numbers = 1.81) -> Numbers:
    """Molecular SO2 in the unit of `free`: free / (1 + 10^(pH - pKa)).

    pKa 1.81 is common; `pk_so2` gives the OIV's figure for an alcohol content and a temperature. The choice
    alone changes the answer by up to a half. Not a dose and no statement of safety.
    """
    return free / (1.0 + 10.0 ** (ph - pka))


def free_so2_for(molecular: Numbers, ph: Numbers, pka: Numbers = 1.81) -> Numbers:
    """Free SO2 at which `molecular` would be reached: molecular (1 + 10^(pH - pKa)). Not a dose."""
    return molecular * (1.0 + 10.0 ** (ph - pka))


_PK_ALCOHOL: Final = np.array([0.0, 5.0, 10.0, 15.0])
_PK_TEMPERATURE: Final = np.array([20.0, 25.0, 30.0, 35.0, 40.0])
_PK_TABLE: Final = np.array(
    [
        [1.798, 2.000, 2.219, 2.334, 2.493],
        [1.897, 2.098, 2.299, 2.397, 2.527],
        [1.997, 2.198, 2.394, 2.488, 2.606],
        [2.099, 2.301, 2.503, 2.607, 2.728],
    ]
)


def pk_so2(alcohol: Numbers, temperature: Numbers) -> Numbers:
    """The thermodynamic pK of SO2 by % vol and °C: bilinear in OIV-MA-AS323-04C, Table I; NaN outside it.

    Read points: 0, 5, 10, 15 % vol and 20 to 40 °C in steps of 5.
    """
    a, t = np.broadcast_arrays(np.asarray(alcohol, dtype=float), np.asarray(temperature, dtype=float))
    inside = (a >= 0.0) & (a <= 15.0) & (t >= 20.0) & (t <= 40.0)
    row = np.clip(a / 5.0, 0.0, 3.0)
    column = np.clip((t - 20.0) / 5.0, 0.0, 4.0)
    i = np.minimum(np.floor(np.nan_to_num(row)).astype(int), 2)
    j = np.minimum(np.floor(np.nan_to_num(column)).astype(int), 3)
    u, v = row - i, column - j
    value = (
        _PK_TABLE[i, j] * (1 - u) * (1 - v)
        + _PK_TABLE[i + 1, j] * u * (1 - v)
        + _PK_TABLE[i, j + 1] * (1 - u) * v
        + _PK_TABLE[i + 1, j + 1] * u * v
    )
    return _same_kind(np.where(inside, value, np.nan), alcohol if np.ndim(alcohol) else temperature)


def so2_of_metabisulfite(potassium_metabisulfite: Numbers) -> Numbers:
    """SO2 held by potassium metabisulfite, same unit: 2 x 64.064 / 222.31 (molar masses). Not a dose."""
    return potassium_metabisulfite * 2.0 * 64.064 / 222.31


# ---- what the unit table calls by name ----


def brix_from_sg_points(points: Numbers) -> Numbers:
    """Apparent Brix from specific gravity written in thousandths (1090)."""
    return brix_from_sg(points / 1000.0)


def brix_from_oechsle(oechsle: Numbers) -> Numbers:
    """Apparent Brix from degrees Oechsle, through specific gravity."""
    return brix_from_sg(sg_from_oechsle(oechsle))


def brix_from_baume(baume: Numbers) -> Numbers:
    """Apparent Brix from degrees Baumé, through specific gravity."""
    return brix_from_sg(sg_from_baume(baume))


def brix_from_kmw(kmw: Numbers) -> Numbers:
    """Apparent Brix from KMW, through Oechsle and specific gravity."""
    return brix_from_oechsle(oechsle_from_kmw(kmw))


def brix_from_density(density: Numbers) -> Numbers:
    """Apparent Brix from density in g/mL, through specific gravity."""
    return brix_from_sg(sg_from_density(density))


def power_of_ten(logarithm: Numbers) -> Numbers:
    """10 to the power of the value."""
    return _same_kind(np.power(10.0, np.asarray(logarithm, dtype=float)), logarithm)


def per_thousand(value: Numbers) -> Numbers:
    """The value over 1000."""
    return value / 1000.0


def same_number(value: Numbers) -> Numbers:
    """The value itself."""
    return value


def centimetres_on_line(percent: Numbers) -> Numbers:
    """Centimetres on a line of 15 cm from percent of its length."""
    return percent * 0.15


def _same_kind(value: Any, like: Numbers) -> Numbers:
    return np.asarray(value, dtype=np.float64) if isinstance(like, np.ndarray) else float(value)
