"""The command line: parse, call one workflow, show. Nothing heavy is imported until a verb runs."""

import os

import click

from pliant.cli.book import book
from pliant.cli.choosing import dry_command, feel_command, new_command, part_command, plan_command
from pliant.cli.pieces import coupon_command, learn_command, next_command
from pliant.cli.programs import batch_command, check_command, mend_command, read_command
from pliant.cli.shell import OneLine
from pliant.cli.whole import bench_command, demo_command
from pliant.version import __version__

__all__ = ["main"]

# before numpy is there: our matrices are small, and threads that wait for one another double what learning costs
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")


@click.group(cls=OneLine, context_settings={"help_option_names": ["-h", "--help"]})
@click.version_option(__version__)
def main() -> None:
    """Will this soft filament feed, on this machine, for this job?"""


for _command in (
    read_command, check_command, mend_command, batch_command, new_command, plan_command, dry_command, feel_command,
    part_command, coupon_command, learn_command, next_command, demo_command, bench_command, book,
):  # fmt: skip
    main.add_command(_command)
