"""A TOML text rewritten with new values: comments, order and spelling of what did not change are kept."""

from collections.abc import Mapping, Sequence
from typing import Any

import tomlkit
from tomlkit.items import AoT, Table

# What names an entry of a list of tables, the first that it has.
_NAMES = ("id", "name", "file", "region")
#: Begins comments of our own, which go when what they say no longer holds.
OWN = "suggested by the kit"


def rewritten(text: str, old: Mapping[str, Any], new: Any, *, fresh: bool = False) -> str:
    """The text with the values of a new document.

    Parameters
    ----------
    text : str
        As a person wrote it.
    old : mapping
        What it states, in the words of our own writer.
    new : tomlkit document
        What it is to state, in the same words; its comments come along.
    fresh : bool
        Whether entries that changed are written anew instead of field by field.

    Returns
    -------
    str

    Notes
    -----
    Words that a person chose otherwise than our writer would, such as ``pose = "as sent"`` for a matrix, stay where
    the value is the same.  Comments of an entry that is taken out go with it.
    """
    document: Any = tomlkit.parse(text)
    for name in [name for name in document if name not in new]:
        document.remove(name)
    for name, value in new.items():
        if name not in document:
            document.add(name, value)
        elif isinstance(value, AoT):
            listed = _entries(document[name], old.get(name, []), value, fresh)
            if listed is not document[name]:
                document[name] = listed
        else:
            _fields(document[name], old.get(name, {}), value)
    written: str = tomlkit.dumps(document)
    return written


def _entries(tables: Any, old: Sequence[Mapping[str, Any]], new: Any, fresh: bool) -> Any:
    """Tables of a list in their new order, those that stay with their comments."""
    there = {_name(table): table for table in tables}
    before = {_name(entry): entry for entry in old}
    now: list[Any] = []
    for entry in new:
        name = _name(entry)
        table = there.get(name)
        if table is None or (fresh and before.get(name) != entry.unwrap()):
            now.append(entry)
            continue
        _fields(table, before.get(name, {}), entry)
        _carry_own(entry, table)
        now.append(table)
    if [id(table) for table in now[: len(tables)]] == [id(table) for table in tables]:
        for entry in now[len(tables) :]:
            tables.append(entry)
        return tables
    listed = tomlkit.aot()
    for table in now:
        listed.append(table)
    return listed


def _fields(table: Any, old: Mapping[str, Any], new: Any) -> None:
    """Give a table the fields that changed."""
    for name in [name for name in old if name not in new and name in table]:
        table.remove(name)
    for name, value in new.items():
        if isinstance(value, Table) and name in table:
            _fields(table[name], old.get(name, {}), value)
        elif name not in table and (name not in old or old[name] != value.unwrap()):
            table.add(name, value)
        elif name in table and (name not in old or old[name] != value.unwrap()):
            kept = table[name].trivia
            table[name] = value
            if not value.trivia.comment and not _is_own(kept):
                table[name].trivia.comment_ws, table[name].trivia.comment = kept.comment_ws, kept.comment
        elif name in table:
            _carry_own(value, table[name])


def _carry_own(new: Any, there: Any) -> None:
    """Give what stays our comment, or take it away where it no longer holds."""
    if new.trivia.comment or _is_own(there):
        there.trivia.comment_ws, there.trivia.comment = new.trivia.comment_ws, new.trivia.comment


def _name(entry: Mapping[str, Any]) -> str:
    return next((str(entry[name]) for name in _NAMES if name in entry), "")


def _is_own(holder: Any) -> bool:
    """Whether a comment is one of ours."""
    comment: str = getattr(holder, "trivia", holder).comment
    return comment.lstrip("# ").startswith(OWN)
