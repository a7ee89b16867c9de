"""A person's TOML rewritten: what they wrote stays where the value stays, and only there."""

from dataclasses import replace

import tomlkit

from reviewkit.rewriting import OWN, rewritten
from reviewkit.submission import parse_submission, submission_toml

WRITTEN = """# Sent by Quillfen Toys (invented).
[submission]
number = "QT-1"   # theirs
revision = "A"

[[part]]
id = "clip"
file = "clip.stl"
pose = "as sent"  # they print it so
units = "mm"

# The two arms.
[[region]]
name = "left"  # seen from behind
part = "clip"
kind = "moving"
box = { min_mm = [0, 0, 0], max_mm = [1, 1, 1] }

[[region]]
name = "right"
part = "clip"
kind = "moving"
box = { min_mm = [2, 0, 0], max_mm = [3, 1, 1] }
"""


def again(change) -> str:
    """The text after a change of the submission that it states."""
    return submission_toml(change(parse_submission(WRITTEN)), before=WRITTEN)


def test_the_same_submission_is_the_same_text():
    assert again(lambda stated: stated) == WRITTEN


def test_a_changed_value_changes_alone():
    told = again(lambda stated: replace(stated, revision="B"))
    assert told == WRITTEN.replace('revision = "A"', 'revision = "B"')
    numbered = again(lambda stated: replace(stated, number="QT-2"))
    assert 'number = "QT-2"   # theirs' in numbered


def test_an_entry_taken_out_goes_and_the_others_keep_their_comments():
    told = again(lambda stated: replace(stated, regions=stated.regions[:1]))
    assert "right" not in told
    assert "# seen from behind" in told and "# they print it so" in told
    assert parse_submission(told).regions == parse_submission(WRITTEN).regions[:1]


def test_an_entry_put_in_comes_after_those_that_were_there():
    extra = replace(parse_submission(WRITTEN).regions[1], name="middle")
    told = again(lambda stated: replace(stated, regions=(*stated.regions, extra)))
    assert told.startswith(WRITTEN.rstrip("\n"))
    assert [region.name for region in parse_submission(told).regions] == ["left", "right", "middle"]


def test_our_own_comment_goes_when_it_no_longer_holds():
    old = {"region": [{"name": "left", "kind": "moving"}]}
    text = f'[[region]]  # {OWN}\nname = "left"\nkind = "moving"\n'
    new = tomlkit.parse('[[region]]\nname = "left"\nkind = "moving"\n')
    assert OWN not in rewritten(text, old, new)
    theirs = text.replace(OWN, "a note of ours")
    assert "a note of ours" in rewritten(theirs, old, new)
