"""What the page of a check is made of, without the page."""

from pliant.workflows.check import examine
from pliant.workflows.picture import draw


def check_with_picture(program, machine, filament):
    """Findings, and what is drawn of them."""
    seen = examine(program, machine, filament)
    return seen.findings, draw(seen.job, weighed=seen.weighed)
