"""What responses and stages are called inside a sentence."""

from __future__ import annotations

from typing import Final

from crosscellar.contract.contract import Contract

_RESPONSES: Final = {
    "days_to_dry": "days to dry",
    "max_ferment_rate": "fastest day of the ferment",
    "stuck": "stuck ferments",
    "malolactic_complete": "malolactic complete",
    "triangle": "triangle test",
}


def inside_sentence(name: str) -> str:
    """A name as it stands inside a sentence: `pH` and `CO2` keep their letters."""
    return name[:1].lower() + name[1:] if len(name) > 1 and name[1].islower() else name


def response_words(response: str, stage: str | None, contract: Contract) -> str:
    """A response and where it was measured: `glycerol, before bottling`; `score of body`; `triangle test`."""
    if response in _RESPONSES:
        return _RESPONSES[response]
    if response.startswith("score:"):
        return f"score of {response.removeprefix('score:').replace('_', ' ')}"
    known = contract.analytes.get(response)
    name = inside_sentence(known.name) if known else response.replace("_", " ")
    return f"{name}, {stage_words(stage, contract)}" if stage in contract.stages else name


def stage_words(stage: str | None, contract: Contract) -> str:
    """A stage's name inside a sentence; what was given where it is not one of ours."""
    known = contract.stages.get(stage or "")
    return inside_sentence(known.name) if known else stage or ""
