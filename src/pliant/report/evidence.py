"""What prints and the trade make of a chance, in words."""

from typing import Protocol

from pliant.records.evidence import AfterPrints, WithPractice
from pliant.say import count, number, percent

__all__ = ["evidence_lines", "evidence_words", "full_sentence"]


class _Told(Protocol):
    @property
    def after_prints(self) -> AfterPrints | None: ...

    @property
    def with_practice(self) -> WithPractice | None: ...


def evidence_words(found: _Told) -> list[str]:
    """One entry for each witness, then what does not count; empty where nobody was heard.

    Parameters
    ----------
    found : Findings or Recipe
        What was found.

    Returns
    -------
    list of str
    """
    said = []
    a, p = found.after_prints, found.with_practice
    if a is not None and a.prints:
        told = f"after {count(a.prints, 'print')}: {percent(a.jam_probability)}, was {percent(a.was)}"
        said.append(told + (f" ({a.jammed} of them jammed)" if a.jammed else ""))
    if a is not None and a.runs_out:
        said.append(
            f"only {a.effective_draws:.0f} of the draws still fit what these prints say: take them in with `learn()`"
        )
    if a is not None and a.left_out:
        few = "; ".join(a.left_out[:3]) + (f"; and {len(a.left_out) - 3} more" if len(a.left_out) > 3 else "")
        said.append(f"not counted: {few}")
    if p is not None:
        told = f"with what practitioners report (weight {number(p.weight, 2)}): {percent(p.jam_probability)}"
        same = "; of so soft a spool they report nothing" if p.was == p.jam_probability else f", was {percent(p.was)}"
        said.append(told + same)
    return said


def full_sentence(text: str) -> str:
    """The same words as a sentence of a page."""
    return f"{text[0].upper()}{text[1:]}."


def evidence_lines(found: _Told) -> list[str]:
    """The same as lines for a terminal."""
    return [f"{'evidence' if k == 0 else '':<12}{text}" for k, text in enumerate(evidence_words(found))]
