"""What can be wrong with a ledger, as messages a laboratory can act on. None of them shows a password."""

from __future__ import annotations

from repeatab.base.errors import RepeatabError, listed

_UNCHANGED = "Nothing was written."


class LedgerError(RepeatabError):
    """The ledger cannot be used as asked; what it held before is untouched."""

    @classmethod
    def missing(cls, shown: str) -> LedgerError:
        return cls(
            f"{shown}: there is no such ledger. Correct the path, or make one with: repeatab run STUDY --ledger "
            f"{shown}, repeatab history import or repeatab history event."
        )

    @classmethod
    def empty(cls, shown: str) -> LedgerError:
        return cls(
            f"{shown}: holds no ledger yet. It gets one with the first record: repeatab run STUDY --ledger {shown}"
        )

    @classmethod
    def a_folder(cls, shown: str) -> LedgerError:
        return cls(f"{shown}: is a folder, expected the file of a ledger. Name the file in it.")

    @classmethod
    def unreadable(cls, shown: str) -> LedgerError:
        return cls(f"{shown}: may not be read. Change the permissions, or name another ledger.")

    @classmethod
    def no_folder(cls, shown: str, folder: str) -> LedgerError:
        return cls(f"{shown}: the folder '{folder}' does not exist. Make it, or correct the path.")

    @classmethod
    def not_a_database(cls, shown: str) -> LedgerError:
        return cls(
            f"{shown}: is not a database, expected the file of a ledger (SQLite). {_UNCHANGED} If this is a result "
            "file, it goes in with: repeatab history import LEDGER FILE"
        )

    @classmethod
    def another_database(cls, shown: str, tables: list[str]) -> LedgerError:
        return cls(
            f"{shown}: is a database of something else: it holds {listed(tables, most=4)} and no ledger. {_UNCHANGED} "
            "Choose another file."
        )

    @classmethod
    def newer(cls, shown: str, *, found: int, known: int, program: str) -> LedgerError:
        return cls(
            f"{shown}: is a ledger of version {found}, written by repeatab {program}; this program knows versions up "
            f"to {known}. {_UNCHANGED} Use that version of repeatab or a later one."
        )

    @classmethod
    def older_and_read_only(cls, shown: str, *, found: int, known: int) -> LedgerError:
        return cls(
            f"{shown}: is a ledger of version {found} and has to be brought to version {known}, but it may not be "
            "written. Open it once where you may write, or ask its owner to."
        )

    @classmethod
    def read_only(cls, shown: str) -> LedgerError:
        return cls(
            f"{shown}: may not be written (the file, its folder or the database is read-only for you). {_UNCHANGED} "
            "Change the permissions, or name another ledger."
        )

    @classmethod
    def full(cls, shown: str) -> LedgerError:
        return cls(
            f"{shown}: no room left on the disk. {_UNCHANGED} What the ledger held before is whole. Make room, then "
            "run the command again."
        )

    @classmethod
    def busy(cls, shown: str, seconds: float) -> LedgerError:
        return cls(
            f"{shown}: another program has been writing there for {seconds:.0f} seconds. {_UNCHANGED} Run the command "
            "again when it is done."
        )

    @classmethod
    def damaged(cls, shown: str, reason: str) -> LedgerError:
        return cls(
            f"{shown}: the file is damaged ({reason}). {_UNCHANGED} Take the last good copy from your backup; "
            "repeatab history verify shows whether a copy is whole."
        )

    @classmethod
    def not_reached(cls, shown: str, reason: str) -> LedgerError:
        return cls(
            f"{shown}: the database cannot be reached ({reason}). {_UNCHANGED} Check address, name and password; the "
            "password may stand in the environment variable PGPASSWORD or in the file ~/.pgpass."
        )

    @classmethod
    def failed(cls, shown: str, reason: str) -> LedgerError:
        return cls(f"{shown}: the database refused ({reason}). {_UNCHANGED}")

    @classmethod
    def not_an_address(cls, shown: str) -> LedgerError:
        return cls(
            f"{shown}: is neither a file nor the address of a database. Expected a path such as lab.sqlite, or "
            "postgresql://user@host/database."
        )

    @classmethod
    def package_missing(cls, name: str) -> LedgerError:
        return cls(f"The ledger needs the library {name}. Install it with: pip install 'repeatab[ledger]'")

    @classmethod
    def no_record(cls, shown: str, number: int, last: int) -> LedgerError:
        held = f"It holds the records 1 to {last}." if last else "It holds no record yet."
        return cls(f"{shown}: there is no record {number}. {held} See: repeatab history list {shown}")

    @classmethod
    def superseded_already(cls, shown: str, number: int, by: int) -> LedgerError:
        return cls(
            f"{shown}: record {number} is superseded by record {by} already. {_UNCHANGED} Look at record {by} first; "
            "if it is wrong too, supersede that one."
        )

    @classmethod
    def other_kind(cls, shown: str, number: int, *, found: str, given: str) -> LedgerError:
        return cls(
            f"{shown}: record {number} is of the kind '{found}' and cannot be superseded by '{given}'. {_UNCHANGED} "
            "A record is superseded by one of its own kind, or withdrawn."
        )

    @classmethod
    def not_readable(cls, shown: str, number: int) -> LedgerError:
        return cls(
            f"{shown}: the content of record {number} is not what repeatab wrote. Check the ledger with: repeatab "
            f"history verify {shown}"
        )

    @classmethod
    def no_reference(
        cls,
        shown: str,
        quantity: str,
        rigs: list[str],
        sections: list[str],
        since: str | None,
        until: str | None,
    ) -> LedgerError:
        which = [f"rig {listed(rigs)}"] if rigs else []
        which += [f"section {listed(sections)}"] if sections else []
        which += [f"{word} {day}" for word, day in (("from", since), ("to", until)) if day is not None]
        return cls(
            f"{shown}: holds no reference results of {quantity}{' for ' if which else ''}{', '.join(which)}. See what "
            f"it holds with: repeatab history list {shown}"
        )
