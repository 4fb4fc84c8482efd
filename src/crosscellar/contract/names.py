"""Written names matched to canonical ones: exactly, by a listed alias, or not at all; never by a guess."""

from __future__ import annotations

import unicodedata
from collections.abc import Iterable, Mapping
from typing import NamedTuple

from crosscellar.contract.records import NameMatch

_KEPT = frozenset("*+%°/")
_UMLAUTS = str.maketrans({"ä": "ae", "ö": "oe", "ü": "ue"})
_DEGREE_SIGNS = str.maketrans({"º": "°", "˚": "°", "℃": "°C", "℉": "°F"})

#: Below this length a name is too short for a slip to be told from another name.
_SHORTEST_SLIP = 3


def name_key(text: str) -> str:
    """The text without what does not tell names apart: case, accents, spaces and most punctuation."""
    spelled_out = unicodedata.normalize("NFKC", text.translate(_DEGREE_SIGNS)).casefold().translate(_UMLAUTS)
    plain = (sign for sign in unicodedata.normalize("NFKD", spelled_out) if not unicodedata.combining(sign))
    return "".join(sign for sign in plain if sign.isalnum() or sign in _KEPT).strip("/")


class NameIndex(NamedTuple):
    """The names of one kind of thing, ready to be matched."""

    literal: Mapping[str, str]
    aliases: Mapping[str, str]
    folded: Mapping[str, tuple[str, ...]]
    letters: Mapping[str, int]
    ambiguous: Mapping[str, tuple[str, ...]]

    @classmethod
    def of(
        cls,
        named: Iterable[tuple[str, str, tuple[str, ...]]],
        *,
        ambiguous: Mapping[str, tuple[str, ...]] | None = None,
    ) -> NameIndex:
        """An index of (id, name, aliases); `ambiguous` maps a text to the ids that it may mean."""
        literal: dict[str, str] = {}
        aliases: dict[str, str] = {}
        folded: dict[str, dict[str, None]] = {}
        for id_, name, others in named:
            literal[id_] = id_
            literal.setdefault(name, id_)
            for alias in others:
                aliases.setdefault(alias, id_)
            for text in (id_, name, *others):
                folded.setdefault(name_key(text), {})[id_] = None
        return cls(
            literal=literal,
            aliases=aliases,
            folded={key: tuple(ids) for key, ids in folded.items() if key},
            letters={key: _letters(key) for key in folded if len(key) > 1},
            ambiguous={name_key(text): ids for text, ids in (ambiguous or {}).items()},
        )

    def match(self, text: str, *, extra_aliases: Mapping[str, str] | None = None) -> NameMatch:
        """What `text` means; the network's own `extra_aliases` (written -> id or name) go first."""
        written = text.strip()
        key = name_key(written)
        for own, means in (extra_aliases or {}).items():
            if name_key(own) == key:
                target = self._settled(means)
                if target is not None:
                    how = "exact" if written in {target, means} else "alias"
                    return NameMatch(target, how, (target,))
        if written in self.literal:
            return NameMatch(self.literal[written], "exact", (self.literal[written],))
        if written in self.aliases and len(self.folded.get(key, ())) <= 1:
            return NameMatch(self.aliases[written], "alias", (self.aliases[written],))
        if key in self.ambiguous:
            return NameMatch(None, "ambiguous", self.ambiguous[key])
        ids = self.folded.get(key, ())
        if len(ids) == 1:
            return NameMatch(ids[0], "case", ids)
        if ids:
            return NameMatch(None, "ambiguous", ids)
        near = self._near(key)
        return NameMatch(None, "misspelt" if near else "unknown", near)

    def _settled(self, means: str) -> str | None:
        if means in self.literal:
            return self.literal[means]
        ids = self.folded.get(name_key(means), ())
        return ids[0] if len(ids) == 1 else None

    def _near(self, key: str) -> tuple[str, ...]:
        if len(key) < _SHORTEST_SLIP:
            return ()
        allowed = 1 if len(key) < 6 else 2
        found: dict[str, int] = {}
        mine = _letters(key)
        for other, letters in self.letters.items():
            # A change of one letter makes at most two letters differ: most names are ruled out by that.
            if abs(len(other) - len(key)) > allowed or (mine ^ letters).bit_count() > 2 * allowed:
                continue
            distance = edit_distance(key, other)
            if distance <= allowed:
                for id_ in self.folded[other]:
                    found[id_] = min(found.get(id_, distance), distance)
        if not found:
            return ()
        nearest = min(found.values())
        return tuple(id_ for id_, distance in found.items() if distance == nearest)


def _letters(key: str) -> int:
    """Which letters a key holds, as bits; letters may share a bit, which only lets more through."""
    held = 0
    for letter in key:
        held |= 1 << (ord(letter) % 64)
    return held


def edit_distance(one: str, other: str) -> int:
    """The least number of letters to add, drop, change or swap with a neighbour (Damerau 1964)."""
    before: list[int] = []
    row = list(range(len(other) + 1))
    for i, left in enumerate(one, start=1):
        above, row_before, before = row, before, row
        row = [i]
        for j, right in enumerate(other, start=1):
            cost = min(above[j] + 1, row[j - 1] + 1, above[j - 1] + (left != right))
            if i > 1 and j > 1 and left == other[j - 2] and one[i - 2] == right:
                cost = min(cost, row_before[j - 2] + 1)
            row.append(cost)
    return row[-1]
