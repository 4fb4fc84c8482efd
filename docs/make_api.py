"""Writes docs/api.md from the docstrings of the public names: `python docs/make_api.py`.

A name is public when it stands in `crosscellar.__all__`, is a record that one of its methods returns, a frame
that rooms exchange, or an error that is raised. A test compares the page with what this script would write.
"""

from __future__ import annotations

import ast
import inspect
import re
import textwrap
from collections.abc import Iterator
from dataclasses import fields, is_dataclass
from pathlib import Path
from typing import Any, Final

import crosscellar as cc
from crosscellar import errors, results
from crosscellar.contract import frames
from crosscellar.pooling.bayes import BayesFit
from crosscellar.report.export import meaning_of

PAGE: Final = Path(__file__).parent / "api.md"
WIDTH: Final = 110

INTRO: Final = """\
# Names in Python

Made from the docstrings by `python docs/make_api.py`; `help(crosscellar.pool)` shows the same. Everything
after a `*` is given by name. Whatever a call cannot do is raised as an error of
[the last chapter](#errors), a sentence with what, where and the next step, and what the disk refuses as
`OSError`; what is wrong with data is a finding, never an error. Frames are polars frames. Records are frozen;
those of a network (for annotations: `from crosscellar.results import IntakeOutcome`) and `Pooled` show
themselves in a notebook as HTML, and have `as_json()`, which gives plain values for a JSON document (a number
that cannot honestly be given is null there).
"""

#: What a network can be asked and told, in the order of a year.
YEAR: Final = (
    "open",
    "close",
    "register",
    "questions",
    "sheets",
    "rules_page",
    "intake",
    "findings",
    "decide",
    "outstanding",
    "effects",
    "effects_answer",
    "effects_figure",
    "pool",
    "answer",
    "summary",
    "plan",
    "vessels",
    "blank_proposals",
    "choose",
    "draft",
    "check",
    "backup",
    "rebuild",
    "forget",
    "export",
)
#: Records in the order in which a year brings them.
RECORDS: Final = (
    "RegisterOutcome",
    "IntakeOutcome",
    "FindingsList",
    "DecisionOutcome",
    "Outstanding",
    "EffectsAnswer",
    "Answer",
    "PlanAnswer",
    "PanelAnswer",
    "PrecisionAnswer",
    "BudgetAnswer",
    "Written",
    "CheckReport",
    "Rebuilt",
    "Forgetting",
)
FRAMES: Final = ("EFFECTS", "READINGS", "PICKS", "SCORES", "FILES", "FINDINGS")
#: What names that modules give to types stand for.
_TYPES: Final = {
    "Paths": "str | Path | Iterable[str | Path]",
    "RuleSettings": "Mapping[str, Mapping[str, float]]",
    "Clock": "Callable[[], datetime]",
    "Floats": "np.ndarray",
    "Array": "np.ndarray",
    "npt.ArrayLike": "ArrayLike",
    "Self": "Network",
    "SummaryMeasure": "str",
    "SmallSample": "str",
    "StandardizedVariance": "str",
}
#: Where the table of contents comes.
CONTENTS: Final = "(contents)"
#: Told once, in the introduction.
_EVERYWHERE: Final = {"as_json"}


def functions() -> list[tuple[str, Any]]:
    """The public functions by name."""
    return [(name, getattr(cc, name)) for name in cc.__all__ if inspect.isfunction(getattr(cc, name))]


def records() -> list[type]:
    """The public records: what a network returns, and what the functions do."""
    from crosscellar.effects import ModeratedVariances, TriangleResult

    return [
        *(getattr(results, name) for name in RECORDS),
        cc.Pooled,
        BayesFit,
        TriangleResult,
        ModeratedVariances,
    ]


def members(kind: type) -> Iterator[tuple[str, Any]]:
    """Public methods and properties of a class, a network's in the order of a year, else of the source."""
    if kind is cc.Network:
        found = dict(_members(kind))
        assert sorted(found) == sorted(YEAR), sorted(set(found) ^ set(YEAR))  # noqa: S101
        yield from ((name, found[name]) for name in YEAR)
    else:
        yield from _members(kind)


def _members(kind: type) -> Iterator[tuple[str, Any]]:
    seen: set[str] = set()
    for base in reversed(kind.__mro__[:-1]):
        for name, member in vars(base).items():
            public = not name.startswith("_") and name not in _EVERYWHERE and name not in seen
            described = inspect.isfunction(member) or isinstance(member, classmethod | property)
            if is_dataclass(kind) and isinstance(member, classmethod):
                continue  # how a record is made is no concern of who reads it
            cached = type(member).__name__ == "cached_property"
            if public and (described or cached):
                seen.add(name)
                yield name, member


def sections(docstring: str) -> dict[str, str]:
    """The docstring's parts by their underlined headings; what stands before and after them is under ""."""
    text = inspect.cleandoc(docstring)
    parts = re.split(r"^([A-Z][a-z]+)\n-{3,}$", text, flags=re.M)
    found = {"": parts[0].strip()}
    for heading, body in zip(parts[1::2], parts[2::2], strict=True):
        kept: list[str] = []
        trailing: list[str] = []
        lines = body.strip("\n").splitlines()
        for place, line in enumerate(lines):
            # A paragraph that is not indented and stands above nothing indented ends the list of entries.
            nothing_below = place + 1 >= len(lines) or not lines[place + 1].startswith(" ")
            starts = heading != "Examples" and line and not line.startswith(" ") and nothing_below
            (trailing if trailing or starts else kept).append(line)
        found[heading] = "\n".join(kept).strip("\n")
        if trailing:
            found[""] += "\n\n" + "\n".join(trailing).strip()
    return found


def entries(body: str) -> list[tuple[str, list[str]]]:
    """Names and what is said of them, of a section such as Parameters; a line `word: …` begins a point."""
    found: list[tuple[str, list[str]]] = []
    for line in body.splitlines():
        if line and not line.startswith(" "):
            found.append((line.strip(), []))
        elif re.match(r"\s+[a-z_]+: ", line):
            found[-1][1].append(line.strip())
        elif line.strip():
            words = found[-1][1]
            words[-1:] = [f"{words[-1]} {line.strip()}" if words else line.strip()]
    return found


def signature(name: str, function: Any) -> str:
    """How it is called, as Python, wrapped."""
    asked = inspect.signature(function)
    shown = []
    for parameter in asked.parameters.values():
        if parameter.name in {"self", "cls"}:
            continue
        if callable(parameter.default) and parameter.default is not inspect.Parameter.empty:
            parameter = parameter.replace(default=_Left("…"))
        shown.append(parameter)
    words = str(asked.replace(parameters=shown))
    # Annotations are kept as text in the modules; as text they would be quoted.
    words = plainly(re.sub(r"(: |-> )'([^']+)'", r"\1\2", words))
    line = f"{name}{words}"
    if len(line) <= WIDTH - 10:
        return line
    back = words.rpartition(") -> ")[2]
    wrapped = ["   "]
    stars = [parameter.kind for parameter in shown].index(inspect.Parameter.KEYWORD_ONLY)
    said = [plainly(re.sub(r": '([^']+)'", r": \1", str(parameter))) for parameter in shown]
    for part in (*said[:stars], "*", *said[stars:]):
        if len(wrapped[-1]) + len(part) + 2 > WIDTH - 10:
            wrapped.append("   ")
        wrapped[-1] += f" {part},"
    return "\n".join([f"{name}(", *wrapped, f") -> {back}"])


def plainly(types: str) -> str:
    """Types with the names of modules' own spelt out."""
    pattern = "|".join(rf"\b{re.escape(name)}\b" for name in _TYPES)
    return re.sub(pattern, lambda found: _TYPES[found[0]], types)


class _Left:
    """A default that is no value to print."""

    def __init__(self, words: str) -> None:
        self.words = words

    def __repr__(self) -> str:
        return self.words


def prose(text: str) -> str:
    """A docstring's paragraphs as Markdown: stars of formulas are stars, tables and code stay as they are."""
    return re.sub(r"(?<!`)\*(?!\*)", r"\*", text)


def filled(text: str, indent: str = "") -> str:
    """The text in lines of the page's width, all but the first indented; a sign never begins a line."""
    held = re.sub(r"(?<=\S) ([-+*]) ", "\N{NO-BREAK SPACE}\\1 ", text)
    wrapped = textwrap.fill(
        held, WIDTH, subsequent_indent=indent, break_long_words=False, break_on_hyphens=False
    )
    return wrapped.replace("\N{NO-BREAK SPACE}", " ")


def told(docstring: str, types: dict[str, str] | None = None) -> list[str]:
    """A docstring as Markdown."""
    parts = sections(docstring)
    lines = [prose(parts.pop("")), ""]
    for heading, body in parts.items():
        if heading == "Examples":
            said = (re.sub(r"\s*# doctest:.*", "", line[4:]) for line in body.splitlines())
            # Formatters want a blank line below imports.
            code = re.sub(r"^(import .+\n)(?!import|\n)", r"\1\n", "\n".join(said), flags=re.M)
            lines += ["```python", code, "```", ""]
            continue
        if heading != "Attributes":
            lines += [f"{heading}:", ""]
        for names, words in entries(body):
            marked = ", ".join(f"`{name.strip()}`" for name in names.split(","))
            kinds = list(dict.fromkeys((types or {}).get(name.strip(), "") for name in names.split(",")))
            kind = f" ({', '.join(f'`{kind}`' for kind in kinds)})" if types and all(kinds) else ""
            first, *points = words if len(words) == 1 else ["", *words]
            lines.append(filled(f"- {marked}{kind}: {prose(first)}".rstrip(), "  "))
            lines += [filled(f"  - {prose(point)}", "    ") for point in points]
        lines.append("")
    return lines


def function_lines(name: str, function: Any, *, level: int = 3, call: str | None = None) -> list[str]:
    """One function or method."""
    return [
        f"{'#' * level} {name}",
        "",
        "```python",
        signature(call or name, function),
        "```",
        "",
        *told(function.__doc__ or ""),
    ]


def class_lines(kind: type, *, level: int = 3) -> list[str]:
    """One record: its fields, and what can be asked of it."""
    types = {field.name: plainly(str(field.type)) for field in fields(kind)} if is_dataclass(kind) else {}
    lines = [f"{'#' * level} {kind.__name__}", "", *told(kind.__doc__ or "", types)]
    for name, member in members(kind):
        if isinstance(member, classmethod):
            lines += function_lines(name, member.__func__, level=level + 1, call=f"{kind.__name__}.{name}")
        elif inspect.isfunction(member):
            lines += function_lines(name, member, level=level + 1)
        else:
            asked: Any = member.fget if isinstance(member, property) else member.func
            back = str(inspect.signature(asked).return_annotation)
            lines += [f"{'#' * level}# {name}", "", f"`{back}`. {told(asked.__doc__ or '')[0]}", ""]
    return lines


def frame_lines(name: str) -> list[str]:
    """One frame: what it holds, and its columns."""
    columns = getattr(frames, name)
    lines = [f"### {name}", "", filled(prose(comments_of(frames)[name])), ""]
    lines += ["| column | type | |", "|---|---|---|"]
    for column, kind in columns.items():
        shown = kind.__name__ if isinstance(kind, type) else str(kind)
        lines.append(f"| {column} | {shown} | {meaning_of(name, column) or ''} |")
    return [*lines, ""]


def comments_of(module: Any) -> dict[str, str]:
    """What the `#:` comments above a module's names say."""
    source = inspect.getsource(module)
    lines = source.splitlines()
    found = {}
    for node in ast.parse(source).body:
        if isinstance(node, ast.AnnAssign) and isinstance(node.target, ast.Name):
            above = []
            place = node.lineno - 2
            while place >= 0 and lines[place].startswith("#:"):
                above.append(lines[place].removeprefix("#:").strip())
                place -= 1
            found[node.target.id] = " ".join(reversed(above))
    return found


def error_lines() -> list[str]:
    """The errors with their exit status."""
    lines = ["| error | is a | exit status | |", "|---|---|---|---|"]
    for name, kind in vars(errors).items():
        if isinstance(kind, type) and issubclass(kind, errors.CrosscellarError):
            base = kind.__bases__[0].__name__
            first = inspect.cleandoc(kind.__doc__ or "").splitlines()[0]
            lines.append(f"| {name} | {base} | {kind.exit_status} | {first} |")
    return [*lines, ""]


def make_api() -> str:
    """The whole page."""
    lines = [INTRO, CONTENTS, "## The network", ""]
    lines += class_lines(cc.Network, level=2)[2:]
    lines += ["## Statistics without a store", ""]
    for name, function in functions():
        lines += function_lines(name, function)
    lines += ["## Records", ""]
    for kind in records():
        lines += class_lines(kind)
    lines += [
        "## Frames",
        "",
        "The columns that every frame of that name has, in this order; a frame may have more.",
        "",
    ]
    for name in FRAMES:
        lines += frame_lines(name)
    lines += [
        "## Errors",
        "",
        "Public names like the others: `except cc.CrosscellarError as fault`.",
        prose(sections(errors.CrosscellarError.__doc__ or "")[""]),
    ]
    lines += [
        "",
        *told("\n\nAttributes\n----------\n" + sections(errors.CrosscellarError.__doc__ or "")["Attributes"])[
            2:
        ],
    ]
    lines += error_lines()
    page = re.sub(r"\n{3,}", "\n\n", "\n".join(lines)).rstrip() + "\n"
    return page.replace(CONTENTS, contents_of(page))


def contents_of(page: str) -> str:
    """The chapters with their names as links; where a name comes a second time, its anchor has a number."""
    seen: dict[str, int] = {}
    chapters: list[tuple[str, list[str]]] = []
    for marks, heading in re.findall(r"^(#{2,4}) (.+)$", page, re.M):
        anchor = heading.lower().replace(" ", "-")
        times = seen.get(anchor, 0)
        seen[anchor] = times + 1
        link = f"[{heading}](#{anchor}{f'-{times}' if times else ''})"
        if marks == "##":
            chapters.append((link, []))
        elif marks == "###":
            chapters[-1][1].append(link)
    listed = (
        filled(f"- {chapter}{': ' if names else ''}{', '.join(names)}", "  ") for chapter, names in chapters
    )
    return "\n".join([*listed, ""])


if __name__ == "__main__":
    PAGE.write_text(make_api(), encoding="utf-8", newline="\n")
