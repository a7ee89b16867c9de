"""Keys typed into a panel stay in it: the element that says so; tests in a browser try it."""

from reviewkit.panels.keys import kept_keys


def test_the_element_speaks_of_its_own_panel_and_stays_open_for_rules():
    told = kept_keys("reviewkit-week")
    assert told.startswith("<style ") and "closest('.reviewkit-week')" in told
    assert "data-lm-suppress-shortcuts" in told
    assert "</style>" not in told
