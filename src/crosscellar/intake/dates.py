"""What a cell says when it should say a date or a time: day and month told apart by the file, or held."""

from __future__ import annotations

import unicodedata
from datetime import date
from types import MappingProxyType
from typing import Final, Literal

import polars as pl

from crosscellar.intake.letters import INVISIBLE

SeasonWindow = tuple[date, date] | tuple[pl.Series, pl.Series]

#: Serial numbers that are read as dates, if they fall in the season: 2009-07-06 to 2064-04-08 (1900 system).
_SERIALS: Final = (40_000, 60_000)

_MONTH_NAMES: Final = (
    "jan january janvier enero ene januar janner gennaio gen janeiro",
    "feb february fevrier fev febrero februar febbraio fevereiro",
    "mar march mars marzo marz marco maerz mrz",
    "apr april avril avr abril abr aprile",
    "may mai mayo maggio mag maio",
    "jun june juin junio juni giugno giu junho",
    "jul july juillet juil julio juli luglio lug julho",
    "aug august aout agosto ago",
    "sep sept september septembre septiembre settembre set setembro",
    "oct october octobre octubre oktober okt ottobre ott outubro out",
    "nov november novembre noviembre novembro",
    "dec december decembre diciembre dic dezember dez dicembre dezembro",
)
_ROMANS: Final = ("i", "ii", "iii", "iv", "v", "vi", "vii", "viii", "ix", "x", "xi", "xii")
_ROMAN: Final = "|".join(sorted(_ROMANS, key=len, reverse=True))
_MONTHS: Final = MappingProxyType(
    {name: str(number) for number, names in enumerate(_MONTH_NAMES, 1) for name in names.split()}
    | {name: str(number) for number, name in enumerate(_ROMANS, 1)}
)

#: Names of days, and words between them and the date. Any other word before a date may change what it says.
_WEEKDAYS: Final = (
    "monday tuesday wednesday thursday friday saturday sunday mon tue tues wed thu thur thurs fri sat sun "
    "montag dienstag mittwoch donnerstag freitag samstag sonnabend sonntag mo di mi do fr sa so "
    "lundi mardi mercredi jeudi vendredi samedi dimanche lun mer jeu ven sam dim "
    "lunes martes miercoles jueves viernes sabado domingo mie jue vie sab dom "
    "lunedi martedi mercoledi giovedi venerdi sabato domenica gio "
    "segunda terca quarta quinta sexta seg ter qua qui sex"
)
_LEADING: Final = (
    rf"^(?:(?:{'|'.join(sorted(set(_WEEKDAYS.split()), key=len, reverse=True))})(?:-feira)?\.?,?\s+)?"
    r"(?:(?:the|on|am|den|der|le|el|il)\s+)?"
)

_ZONE: Final = r"(?:Z|z|[+-][0-9]{2}:?[0-9]{2})?"
_SECONDS: Final = r"(?::?[0-9]{2}(?:\.[0-9]+)?)?"
_TIME: Final = rf"(?:[Tt ,]\s*(?:at\s+)?([0-9]{{1,2}})[:.h]([0-9]{{2}}){_SECONDS}\s*([ap]\.?m\.?)?{_ZONE})?$"
_YEAR: Final = "([0-9]{4}|'?[0-9]{2})"
_GAP: Final = "[-/., ]"
_SEP: Final = r"\s*[-/. ]\s*"

#: The hours that words for a part of the day stand for, so that morning and evening stay apart.
PARTS_OF_DAY: Final = MappingProxyType(
    {
        word: hour
        for hour, words in (
            ("08:00", "am morning matin morgen morgens fruh mattina manana manha"),
            ("12:00", "noon midday mittag mittags midi mezzogiorno mediodia"),
            ("18:00", "pm afternoon evening nachmittag abend abends soir sera tarde"),
        )
        for word in words.split()
    }
)

_SUGGESTIONS: Final = MappingProxyType(
    {
        "ambiguous": "Is it {likely}? Say once for the whole file whether the day or the month comes first.",
        "impossible": "Check it, and write it as 2024-10-15.",
        "not_a_date": "Write the date as 2024-10-15.",
        "two_digit_year": "Write the year with four digits, as in 2024-10-15.",
        "no_year": "Write the year as well, as in 2024-10-15.",
    }
)


def _folded(text: pl.Expr) -> pl.Expr:
    """Lower case without accents, invisible marks, outer or repeated space."""
    accented = [
        chr(code) for code in range(0xC0, 0x180) if unicodedata.normalize("NFD", chr(code))[0] < "\x80"
    ]
    plain = [unicodedata.normalize("NFD", letter)[0].lower() for letter in accented]
    return (
        text.str.replace_all(INVISIBLE, "")
        .str.normalize("NFKC")
        .str.to_lowercase()
        .str.replace_all(r"[\x{2010}-\x{2015}\x{2212}]", "-")
        .str.replace_many(accented, plain)
        .str.replace_all(r"\s+", " ")
        .str.strip_chars()
    )


def read_dates(
    texts: pl.Series,
    kinds: pl.Series | None = None,
    *,
    season_window: SeasonWindow | None = None,
    date_system: Literal["1900", "1904"] = "1900",
    by: pl.Series | None = None,
    vintage: SeasonWindow | None = None,
    order: Literal["day_first", "month_first"] | None = None,
) -> pl.DataFrame:
    """One row for each cell: `date, time, how, problem, likely, suggestion`.

    Parameters
    ----------
    texts, kinds
        Cells as sent, and of a workbook their kinds: a real date (`d`) is never ambiguous.
    season_window
        First and last day in which a sample may have been taken; one pair, or a pair of Series (a day each).
        Only inside it a number such as 45580 is a date, and a year of two digits or none is completed.
    date_system
        The workbook's day 0, for numbers.
    vintage
        First and last day of the twelve months in which a day without a year lies; null ends say that nothing
        is known. Without it the season window.
    by
        What may prove the order for one another: the file of each cell. Without it all cells are of one file.
    order
        The order, where the coordinator has said it.

    Returns
    -------
    polars.DataFrame
        `date` (null unless there is exactly one reading); `time` (`HH:MM` or null); `how`: iso, real_date,
        day_first, month_first (proved by another cell of the file or by this one), same_either_way (05/05),
        month_name, serial, and after a `+` two_digit_year or year_from_season where the season completed it;
        `problem`: empty, or ambiguous (both orders possible; or the file proves both), impossible (no such
        day), not_a_date, two_digit_year, no_year; `likely`: the possible days, ISO, joined by ` or `.
    """
    frame = pl.DataFrame({"sent": texts.cast(pl.String)}).with_row_index("at")
    frame = frame.with_columns(
        kind=pl.lit("s") if kinds is None else pl.Series(kinds).cast(pl.String).fill_null("s"),
        by=pl.lit("") if by is None else pl.Series(by).cast(pl.String),
        low=_window_end(season_window, 0),
        high=_window_end(season_window, 1),
        first=_window_end(vintage or season_window, 0),
        last=_window_end(vintage or season_window, 1),
    )
    long = pl.col("sent").str.len_chars() > 60
    frame = frame.with_columns(text=_folded(pl.when(long).then(pl.lit("?")).otherwise("sent")))
    frame = frame.with_columns(pl.when(pl.col("text") != "").then("text").alias("text"))
    # `Fr, 20.3.2026` and `vendredi 20 mars 2026`, but not `before 20 March 2026`
    led = pl.col("text").str.contains("^[a-z]")
    if frame.select(led.any()).item():
        bare = pl.col("text").str.replace(_LEADING, "")
        dated = bare.str.contains(r"^[0-9]|^[a-z]{3,10}\.? [0-9]")
        frame = frame.with_columns(pl.when(led & dated).then(bare).otherwise("text").alias("text"))
    return _settle(_order(_parts(_name_months(frame), date_system), order))


def _window_end(window: SeasonWindow | None, end: int) -> pl.Expr | pl.Series:
    if window is None:
        return pl.lit(None, dtype=pl.Date)
    day = window[end]
    return day.cast(pl.Date) if isinstance(day, pl.Series) else pl.lit(day, dtype=pl.Date)


def _name_months(frame: pl.DataFrame) -> pl.DataFrame:
    """Adds day, month and year of texts with a month's name."""
    text = pl.col("text")
    day = "([0-9]{1,2})(?:st|nd|rd|th|er|\\.)?"
    name = "([a-z]{3,10})\\.?"
    frame = frame.with_columns(
        day_month=text.str.extract_groups(
            rf"^{day}{_GAP}*(?:de |of )?{name}(?:{_GAP}*(?:de )?{_YEAR})?{_TIME}"
        ),
        month_day=text.str.extract_groups(rf"^{name}{_GAP}*{day}(?:{_GAP}+{_YEAR})?{_TIME}"),
        year_month=text.str.extract_groups(rf"^([0-9]{{4}}){_GAP}*{name}{_GAP}*{day}{_TIME}"),
        roman_month=text.str.extract_groups(
            rf"^{day}\s*[-/. ]\s*({_ROMAN})(?:\s*[-/. ]\s*{_YEAR})?\.?{_TIME}"
        ),
    )
    # which group of each form holds day, month, year
    forms = {
        "day_month": (1, 2, 3),
        "month_day": (2, 1, 3),
        "year_month": (3, 2, 1),
        "roman_month": (1, 2, 3),
    }
    found = {form: _month_number(_group(form, month)) for form, (_, month, _) in forms.items()}
    return frame.with_columns(
        named_month=pl.coalesce(list(found.values())),
        named_day=pl.coalesce(
            [
                pl.when(found[form].is_not_null()).then(_group(form, day))
                for form, (day, _, _) in forms.items()
            ]
        ).cast(pl.Int32),
        named_year=pl.coalesce(
            [
                pl.when(found[form].is_not_null()).then(_group(form, year))
                for form, (_, _, year) in forms.items()
            ]
        ).str.strip_chars("'"),
    ).drop(list(forms))


def _group(form: str, number: int) -> pl.Expr:
    return pl.col(form).struct.field(str(number))


def _month_number(name: pl.Expr) -> pl.Expr:
    return name.replace_strict(dict(_MONTHS), default=None, return_dtype=pl.String).cast(pl.Int32)


def _parts(frame: pl.DataFrame, date_system: str) -> pl.DataFrame:
    """Adds the candidate days of each text: `iso`, `named`, `serial`, and day first and month first."""
    text = pl.col("text")
    iso = text.str.extract_groups(rf"^([0-9]{{4}}){_SEP}([0-9]{{1,2}}){_SEP}([0-9]{{1,2}}){_TIME}")
    compact = text.str.extract_groups(r"^((?:19|20)[0-9]{2})([01][0-9])([0-3][0-9])$")
    plain = text.str.extract_groups(rf"^([0-9]{{1,2}}){_SEP}([0-9]{{1,2}}){_SEP}{_YEAR}\.?{_TIME}")
    # `20/3` and `20.3.`: of `20.3` a spreadsheet may have lost a digit
    bare = text.str.extract_groups(
        r"^([0-9]{1,2})(?:\s*[-/]\s*([0-9]{1,2})|\s*\.\s*([0-9]{1,2})\s*\.)" + _TIME
    )
    serial = pl.when(text.str.contains(r"^[0-9]{5}(?:\.[0-9]+)?$")).then(text.cast(pl.Float64, strict=False))
    frame = frame.with_columns(i=iso, c=compact, p=plain, n=bare, number=serial)
    frame = frame.with_columns(
        *[
            pl.coalesce(pl.col("i").struct.field(n), pl.col("c").struct.field(n))
            .cast(pl.Int32)
            .alias(f"i{n}")
            for n in "123"
        ],
        p1=pl.coalesce(_group("p", 1), _group("n", 1)).cast(pl.Int32),
        p2=pl.coalesce(_group("p", 2), _group("n", 2), _group("n", 3)).cast(pl.Int32),
        p3=pl.col("p").struct.field("3").str.strip_chars("'"),
        clock_h=pl.coalesce(*(_group(form, 4) for form in "ipn")).cast(pl.Int32),
        clock_m=pl.coalesce(*(_group(form, 5) for form in "ipn")).cast(pl.Int32),
        clock_half=pl.coalesce(*(_group(form, 6) for form in "ipn")),
    )
    start = date(1904, 1, 1) if date_system == "1904" else date(1899, 12, 30)
    shift = 1462 if date_system == "1904" else 0
    inside = pl.col("number").is_between(_SERIALS[0] - shift, _SERIALS[1] - shift)
    on = pl.lit(start) + pl.duration(days=pl.col("number").floor().cast(pl.Int64))
    on = pl.when(inside).then(on)
    return frame.with_columns(
        serial=pl.when(on.is_between(pl.col("low"), pl.col("high"))).then(on),
        serial_minutes=pl.when(pl.col("number") % 1 != 0).then(
            ((pl.col("number") % 1) * 1440).round().cast(pl.Int32)
        ),
        iso=_day("i1", "i2", "i3"),
        iso_swapped=_day("i1", "i3", "i2"),
        named=_completed("named_year", pl.col("named_month"), pl.col("named_day")),
        day_first=_completed("p3", pl.col("p2"), pl.col("p1")),
        month_first=_completed("p3", pl.col("p1"), pl.col("p2")),
        # 24-10-15 may have its year in front, which only the season can tell
        year_first=pl.when(pl.col("p3").str.len_chars() == 2).then(
            _within(pl.col("p1") + 2000, pl.col("p2"), pl.col("p3").cast(pl.Int32, strict=False))
        ),
    )


def _day(year: str | pl.Expr, month: str | pl.Expr, day: str | pl.Expr) -> pl.Expr:
    """The day, null where there is no such one."""
    parts = [pl.col(part) if isinstance(part, str) else part for part in (year, month, day)]
    text = pl.format("{}-{}-{}", parts[0], *[part.cast(pl.String).str.zfill(2) for part in parts[1:]])
    return text.str.to_date("%Y-%m-%d", strict=False)


def _within(year: pl.Expr, month: pl.Expr, day: pl.Expr, first: str = "low", last: str = "high") -> pl.Expr:
    on = _day(year, month, day)
    return pl.when(on.is_between(pl.col(first), pl.col(last))).then(on)


def _completed(year: str, month: pl.Expr, day: pl.Expr) -> pl.Expr:
    """The day; a year of two digits or none is completed from the season window if that leaves one."""
    written = pl.col(year).cast(pl.Int32, strict=False)
    digits = pl.col(year).str.len_chars()
    ends = ("first", "last")
    early, late = (_within(pl.col(end).dt.year(), month, day, *ends) for end in ends)
    guessed = pl.when(early.is_null() | late.is_null() | (early == late)).then(pl.coalesce(early, late))
    return (
        pl.when(digits == 4)
        .then(_day(written, month, day))
        .when(digits == 2)
        .then(_within(written + 2000, month, day))
        .otherwise(guessed)
    )


def _order(frame: pl.DataFrame, order: str | None) -> pl.DataFrame:
    """Adds `file_order`: what the cells of the same file prove, null where they prove nothing or both."""
    if order is not None:
        return frame.with_columns(file_order=pl.lit(order), both=pl.lit(False))
    four = pl.col("p3").str.len_chars() == 4
    sure = four | (pl.col("day_first").is_not_null() & pl.col("year_first").is_null())
    day_proved = ((pl.col("p1") > 12) & (pl.col("p2") <= 12) & sure).any().over("by")
    month_proved = ((pl.col("p2") > 12) & (pl.col("p1") <= 12)).any().over("by")
    return frame.with_columns(
        file_order=pl.when(day_proved & ~month_proved)
        .then(pl.lit("day_first"))
        .when(month_proved & ~day_proved)
        .then(pl.lit("month_first")),
        both=day_proved & month_proved,
    )


def _settle(frame: pl.DataFrame) -> pl.DataFrame:
    a, b = pl.col("day_first"), pl.col("month_first")
    numeric = pl.col("p1").is_not_null()
    short = pl.col("p3").str.len_chars() == 2
    front = pl.col("year_first")
    same = a == b
    chosen = (
        pl.when(front.is_not_null() & (a.is_not_null() | b.is_not_null()))
        .then(None)
        .when(front.is_not_null())
        .then(front)
        .when(same)
        .then(a)
        # a year of two digits may hide an impossible reading, so only the written parts decide there
        .when((pl.col("p1") > 12) | ((pl.col("file_order") == "day_first") & (pl.col("p2") <= 12)))
        .then(a)
        .when((pl.col("p2") > 12) | (pl.col("file_order") == "month_first"))
        .then(b)
    )
    which = (
        pl.when(front.is_not_null())
        .then(pl.lit("year_first"))
        .when(same)
        .then(pl.lit("same_either_way"))
        .when((pl.col("p1") > 12) | ((pl.col("file_order") == "day_first") & (pl.col("p2") <= 12)))
        .then(pl.lit("day_first"))
        .otherwise(pl.lit("month_first"))
    )
    real = pl.col("kind") == "d"
    frame = frame.with_columns(
        date=pl.when(real)
        .then("iso")
        .when(pl.col("i1").is_not_null())
        .then("iso")
        .when(pl.col("named_month").is_not_null())
        .then("named")
        .when(numeric)
        .then(chosen)
        .otherwise("serial"),
        form=pl.when(real)
        .then(pl.lit("real_date"))
        .when(pl.col("i1").is_not_null())
        .then(pl.lit("iso"))
        .when(pl.col("named_month").is_not_null())
        .then(pl.lit("month_name"))
        .when(numeric)
        .then(which)
        .when(pl.col("serial").is_not_null())
        .then(pl.lit("serial"))
        .otherwise(pl.lit("")),
    )
    year = pl.when(pl.col("form") == "month_name").then(pl.col("named_year")).otherwise(pl.col("p3"))
    unfinished = pl.col("form").is_in(
        ["month_name", "day_first", "month_first", "same_either_way", "year_first"]
    )
    tail = (
        pl.when(~unfinished)
        .then(pl.lit(""))
        .when(year.is_null())
        .then(pl.lit("+year_from_season"))
        .when(year.str.len_chars() == 2)
        .then(pl.lit("+two_digit_year"))
        .otherwise(pl.lit(""))
    )
    # four digits: both orders give a day; two digits: the season may leave one, which proves no order
    open_order = (
        pl.when(short).then(a.is_not_null() | b.is_not_null()).otherwise(a.is_not_null() & b.is_not_null())
    )
    problem = (
        pl.when(pl.col("text").is_null() | pl.col("date").is_not_null())
        .then(pl.lit(""))
        .when(pl.col("form") == "")
        .then(pl.lit("not_a_date"))
        .when(numeric & open_order)
        .then(pl.lit("ambiguous"))
        .when(unfinished & year.is_null())
        .then(pl.lit("no_year"))
        .when(numeric & short)
        .then(pl.lit("two_digit_year"))
        .when((pl.col("form") == "month_name") & (year.str.len_chars() == 2))
        .then(pl.lit("two_digit_year"))
        .otherwise(pl.lit("impossible"))
    )
    frame = frame.with_columns(problem=problem)
    options = pl.concat_str(
        [a.dt.to_string("%Y-%m-%d"), b.dt.to_string("%Y-%m-%d"), front.dt.to_string("%Y-%m-%d")],
        separator=" or ",
        ignore_nulls=True,
    )
    likely = (
        pl.when(pl.col("problem") == "ambiguous")
        .then(options)
        .when((pl.col("problem") == "impossible") & pl.col("iso_swapped").is_not_null())
        .then(pl.col("iso_swapped").dt.to_string("%Y-%m-%d"))
        .when((pl.col("problem") == "impossible") & numeric & (options != ""))
        .then(options)
    )
    suggestion = pl.col("problem").replace_strict(dict(_SUGGESTIONS), default="", return_dtype=pl.String)
    frame = frame.with_columns(likely=likely)
    return frame.sort("at").select(
        "date",
        time=pl.when(pl.col("date").is_not_null()).then(
            pl.when(pl.col("form") == "serial")
            .then(
                _clock(
                    pl.col("serial_minutes") // 60,
                    pl.col("serial_minutes") % 60,
                    pl.lit(None, dtype=pl.String),
                )
            )
            .otherwise(_clock(pl.col("clock_h"), pl.col("clock_m"), pl.col("clock_half")))
        ),
        how=pl.when(pl.col("date").is_not_null()).then(pl.col("form") + tail).otherwise(pl.lit("")),
        problem=pl.col("problem"),
        likely=pl.col("likely"),
        suggestion=suggestion.str.replace("{likely}", pl.col("likely").fill_null("it"), literal=True),
    )


def _clock(hour: pl.Expr, minute: pl.Expr, half: pl.Expr) -> pl.Expr:
    """`HH:MM`, null where there is no such time."""
    letter = half.str.slice(0, 1).str.to_lowercase()
    hour = (
        pl.when(letter.is_null())
        .then(hour)
        .when(~hour.is_between(1, 12))
        .then(None)
        .otherwise(hour % 12 + pl.when(letter == "p").then(12).otherwise(0))
    )
    good = hour.is_between(0, 23) & minute.is_between(0, 59)
    return pl.when(good).then(
        pl.format("{}:{}", hour.cast(pl.String).str.zfill(2), minute.cast(pl.String).str.zfill(2))
    )


def read_times(texts: pl.Series, kinds: pl.Series | None = None) -> pl.DataFrame:
    """`time` (`HH:MM`, 24 hours), `problem` (`not_a_time` or empty) and `word` for each cell.

    Read: `13:05`, `13.05`, `13h05`, `1:05 pm`, `1305`, the time of a date cell, a fraction of a day;
    `morning` and its like as an hour of `PARTS_OF_DAY`: there `word` is true.
    """
    frame = pl.DataFrame({"sent": texts.cast(pl.String)}).with_columns(
        kind=pl.lit("s") if kinds is None else pl.Series(kinds).cast(pl.String).fill_null("s")
    )
    frame = frame.with_columns(
        text=_folded(pl.when(pl.col("sent").str.len_chars() <= 60).then("sent").otherwise(pl.lit("?")))
    )
    frame = frame.with_columns(
        pl.when(pl.col("sent").is_not_null() & (pl.col("text") != "")).then("text").alias("text")
    )
    parts = pl.col("text").str.extract_groups(
        r"^(?:[0-9]{4}-[0-9]{2}-[0-9]{2}[t ])?([0-9]{1,2})\s*[:.h]\s*([0-9]{2})"
        r"(?:[:.][0-9]{2}(?:\.[0-9]+)?)?\s*([ap]\.?m\.?)?$"
    )
    military = pl.col("text").str.extract_groups(r"^([0-2][0-9])([0-5][0-9])$")
    whole = pl.col("text").str.extract_groups(r"^([0-9]{1,2})\s*([ap]\.?m\.?|h)$")
    part = (
        pl.col("text")
        .str.replace_all(".", "", literal=True)
        .replace_strict(dict(PARTS_OF_DAY), default=None, return_dtype=pl.String)
    )
    day = pl.col("text").cast(pl.Float64, strict=False)
    minutes = ((day % 1) * 1440).round().cast(pl.Int32)
    frame = frame.with_columns(p=parts, m=military, w=whole, minutes=pl.when(day < 1).then(minutes))
    empty = pl.lit(None, dtype=pl.String)
    frame = frame.with_columns(
        time=pl.when(pl.col("kind") == "n")
        .then(_clock(pl.col("minutes") // 60, pl.col("minutes") % 60, empty))
        .otherwise(
            pl.coalesce(
                _clock(_group("p", 1).cast(pl.Int32), _group("p", 2).cast(pl.Int32), _group("p", 3)),
                _clock(_group("m", 1).cast(pl.Int32), _group("m", 2).cast(pl.Int32), empty),
                _clock(
                    _group("w", 1).cast(pl.Int32),
                    pl.lit(0),
                    pl.when(_group("w", 2) != "h").then(_group("w", 2)),
                ),
            )
        )
    )
    frame = frame.with_columns(word=part.is_not_null(), time=pl.coalesce("time", part))
    wrong = pl.col("text").is_not_null() & pl.col("time").is_null()
    problem = pl.when(wrong).then(pl.lit("not_a_time")).otherwise(pl.lit(""))
    return frame.select("time", problem.alias("problem"), "word")
