"""Coupons in the book: a piece is kept with its empty sheet; a filled-in one becomes new versions of both records."""

import tomllib
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

from pliant.book import look, records
from pliant.book.open_book import open_book
from pliant.coupons.readings import readings_from, readings_text
from pliant.errors import BookError
from pliant.files import Source
from pliant.progress import Share
from pliant.records.book import Added
from pliant.records.coupon import Coupon
from pliant.records.learned import Learned
from pliant.workflows.learn import learn
from pliant.workflows.photo import filled

__all__ = ["Sheet", "empty_sheet", "keep_coupon", "learn_and_keep"]


@dataclass(frozen=True)
class Sheet:
    """The empty sheet of a coupon that the book holds, and the records it was made for."""

    uid: str
    kind: str
    title: str
    machine: str
    filament: str
    made_at: str
    data: dict[str, Any]

    @property
    def asked(self) -> tuple[str, ...]:
        """What is written down at each step."""
        return tuple(key for key, value in self.data["step"][0].items() if value == "")

    def to_json(self) -> dict[str, Any]:
        """Return the fields as plain data."""
        return {
            "uid": self.uid, "kind": self.kind, "title": self.title, "machine": self.machine,
            "filament": self.filament, "made_at": self.made_at, "asked": list(self.asked), "sheet": self.data,
        }  # fmt: skip


def keep_coupon(book: str | Path | None, made: Coupon, machine: Source, filament: Source) -> Added:
    """Keep a coupon with its empty sheet, and the versions of the records it was made for.

    Parameters
    ----------
    book : str or Path, optional
        The book; default the user's own. A missing one is begun.
    made : Coupon
        What `coupon` made.
    machine, filament : str or Path
        The files it was made for.

    Returns
    -------
    Added
    """
    record = {"title": made.title, "sheet": tomllib.loads(readings_text(made)), "facts": made.to_json()}
    ready = [records.prepare_toml("machine", machine), records.prepare_toml("filament", filament)]
    with open_book(book, create=True) as opened:
        uids = [records.add_prepared(opened, one).uid for one in ready]
        return records.remember_coupon(opened, uids[0], uids[1], made.kind, record)


def empty_sheet(book: str | Path | None, uid: str) -> Sheet:
    """The sheet of a coupon in the book, with the names of its machine and spool."""
    with open_book(book) as opened:
        shown = look.show(opened, uid)
        held = shown.record.fields.get("record")
        if shown.record.kind != "coupon" or not isinstance(held, dict) or "sheet" not in held:
            raise BookError(f"{uid}: is not a coupon with a sheet to fill in; make one on the page of coupons")
        names = {e.kind: look.show(opened, e.uid).record.fields["name"] for e in shown.refers_to}
    return Sheet(
        shown.record.uid, shown.record.fields["piece"], held["title"], names["machine"], names["filament"],
        shown.record.made_at, held["sheet"],
    )  # fmt: skip


def learn_and_keep(
    book: str | Path | None, sheet: dict[str, Any], name: str, machine: Source, filament: Source,
    *, folder: Path, coupon: str | None = None, program: str | Path | None = None, photo: Source | None = None,
    progress: Share | None = None,
) -> tuple[Learned, tuple[Added, Added, Added]]:  # fmt: skip
    """Learn from a filled-in sheet, and keep the new versions and the fit.

    Parameters
    ----------
    book : str or Path, optional
        The book; default the user's own. A missing one is begun.
    sheet : dict
        The filled-in sheet, as `coupon.readings` takes it.
    name : str
        What to call it.
    machine, filament : str or Path
        The records it was printed with; they are left as they are.
    folder : Path
        Where the new versions are written.
    coupon : str, optional
        Identifier of the coupon in the book.
    program : str or Path, optional
        A program whose chance of a jam is told before and after.
    photo : str, Path or Text, optional
        A picture that fills in the sheet of a stop-start piece.
    progress : callable, optional
        Told the share of the work done. [-]

    Returns
    -------
    Learned
        What was learned.
    tuple of Added
        The new machine, the new filament, and the fit.
    """
    sheet, seen = filled(sheet, photo, name) if photo is not None else (sheet, ())
    readings = readings_from(sheet, name)
    learned = learn([readings], machine, filament, folder=folder, program=program, progress=progress)
    learned = replace(learned, notes=(*seen, *learned.notes))
    assert learned.machine_file is not None and learned.filament_file is not None
    ready = [
        records.prepare_toml("machine", learned.machine_file), records.prepare_toml("filament", learned.filament_file),
    ]  # fmt: skip
    with open_book(book, create=True) as opened:
        new = [records.add_prepared(opened, one) for one in ready]
        fit = records.remember_fit(opened, new[0].uid, new[1].uid, {"sheet": sheet, **learned.to_json()}, coupon)
    return learned, (new[0], new[1], fit)
