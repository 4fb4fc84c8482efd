"""Written names matched to canonical ones: exactly, by a listed alias, or not at all; never by a guess."""

from __future__ import annotations

import difflib
import unicodedata
from collections.abc import Iterable, Mapping
from functools import cached_property, lru_cache
from typing import Any, NamedTuple

from crosscellar.contract.records import NameMatch

_KEPT = frozenset("*+%°/")
_UMLAUTS = str.maketrans({"ä": "ae", "ö": "oe", "ü": "ue"})
_DEGREE_SIGNS = str.maketrans({"º": "°", "˚": "°", "℃": "°C", "℉": "°F"})

#: Below this length a name is too short for a slip to be told from another name.
_SHORTEST_SLIP = 3
#: The answers for so many words are kept.
_REMEMBERED = 20_000


@lru_cache(maxsize=16_384)
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
    spellings: Spellings
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
            spellings=Spellings(key for key in folded if len(key) > 1),
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
        found: dict[str, int] = {}
        for other, distance in self.spellings.edited(key, 1 if len(key) < 6 else 2).items():
            for id_ in self.folded[other]:
                found[id_] = min(found.get(id_, distance), distance)
        if not found:
            return ()
        nearest = min(found.values())
        return tuple(id_ for id_, distance in found.items() if distance == nearest)


class Spellings:
    """Words among which one that may be misspelt is looked for; what was asked before is known at once."""

    def __init__(self, words: Iterable[str]) -> None:
        self._words = tuple(words)
        self._edited: dict[tuple[str, int], Mapping[str, int]] = {}

    def edited(self, word: str, most: int) -> Mapping[str, int]:
        """Those that so many edits at most (`edit_distance`) lie between, with how many, in their order."""
        asked = word, most
        if asked not in self._edited:
            if len(self._edited) >= _REMEMBERED:
                self._edited.clear()
            # A change of one letter makes at most two letters differ: most words are ruled out by that.
            likely = ((other, edit_distance(word, other)) for other in self._likely(word, most, 2 * most))
            self._edited[asked] = {other: distance for other, distance in likely if distance <= most}
        return self._edited[asked]

    def closest(self, word: str, least: float) -> str | None:
        """The one that is most like it (`difflib`), where any is so much like it."""
        lengths, _ = self._shapes
        # Of two texts that are so much alike no more letters than these have no partner in the other.
        left = (1.0 - least) * (lengths + len(word)) + 1e-9
        likely = self._likely(word, left, left)
        return next(iter(difflib.get_close_matches(word, likely, n=1, cutoff=least)), None)

    def _likely(self, word: str, longer: Any, unlike: Any) -> list[str]:
        import numpy as np

        lengths, letters = self._shapes
        near = np.abs(lengths - len(word)) <= longer
        near &= np.bitwise_count(letters ^ np.uint64(_letters(word))) <= unlike
        return [self._words[at] for at in near.nonzero()[0].tolist()]

    @cached_property
    def _shapes(self) -> tuple[Any, Any]:
        """The length of each word, and its letters as bits."""
        import numpy as np

        lengths = np.array([len(word) for word in self._words], dtype=np.int64)
        return lengths, np.array([_letters(word) for word in self._words], dtype=np.uint64)


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
