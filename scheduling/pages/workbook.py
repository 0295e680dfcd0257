"""The job workbook's pages: what is to be put right in a file, or what loading it would change."""

from __future__ import annotations

from collections.abc import Sequence

from jobs.core.words import say, say_n
from scheduling.parts import Entry, Head, Ledger, LedgerRow, Words
from scheduling.workbook.load import Count, Loaded
from scheduling.workbook.wrong import Wrong

#: More than these help nobody: a person mends them and reads the file again.
WRONGS_SHOWN = 200
EDITS_SHOWN = 200


def wrongs_ledger(wrongs: Sequence[Wrong]) -> Ledger:
    """Return what is to be put right, in the order of the file."""
    heads = (
        Head(say("Sheet")),
        Head(say("Row"), figures=True),
        Head(say("Column")),
        Head(say("What stands there")),
        Head(say("What would be right")),
    )
    rows = tuple(_wrong_row(wrong) for wrong in wrongs[:WRONGS_SHOWN])
    return Ledger(say("To put right"), heads, rows, left_out=max(0, len(wrongs) - WRONGS_SHOWN))


def _wrong_row(wrong: Wrong) -> LedgerRow:
    return LedgerRow(
        (
            Entry(wrong.sheet),
            Entry(str(wrong.row) if wrong.row else say("whole sheet")),
            Entry(wrong.column or say("all")),
            Entry(f"“{wrong.seen}”" if wrong.seen else say("nothing")),
            Entry(wrong.right),
        )
    )


def counts_ledger(loaded: Loaded) -> Ledger:
    """Return how many rows of each sheet are new, change something, or say what is known."""
    heads = (
        Head(say("Sheet")),
        Head(say("New"), figures=True),
        Head(say("Changed"), figures=True),
        Head(say("The same"), figures=True),
    )
    rows = tuple(LedgerRow(_count_entries(one.sheet, one)) for one in loaded.counts)
    return Ledger(say("What the file holds"), heads, rows, foot=_count_entries(say("All rows"), loaded.total))


def _count_entries(name: Words, count: Count) -> tuple[Entry, ...]:
    return Entry(name), Entry(count.new), Entry(count.changed), Entry(count.same)


def edits_ledger(loaded: Loaded) -> Ledger:
    """Return each value that would be another one."""
    heads = (Head(say("Row")), Head(say("Which")), Head(say("Column")), Head(say("Now")), Head(say("Then")))
    rows = [
        LedgerRow(
            (
                Entry(say("{sheet}, row {row}", sheet=edited.sheet, row=str(edited.number))),
                Entry(edited.name),
                Entry(edit.column),
                Entry(edit.before or say("nothing")),
                Entry(edit.after or say("nothing")),
            )
        )
        for edited in loaded.edited
        for edit in edited.edits
    ]
    left_out = max(0, len(rows) - EDITS_SHOWN)
    return Ledger(say("What changes"), heads, tuple(rows[:EDITS_SHOWN]), left_out=left_out)


def told(count: Count) -> Words:
    """Return what loading does, or did, in one sentence."""
    return say(
        "{new}, {changed}, {same}.",
        new=say_n("{n} row new", "{n} rows new", n=count.new),
        changed=say_n("{n} changed", "{n} changed", n=count.changed),
        same=say_n("{n} the same", "{n} the same", n=count.same),
    )
