"""PR-02: the pose sheet."""

import textwrap

from matplotlib.axes import Axes
from matplotlib.figure import Figure

from reviewkit.figures.style import INK, LINE, WRONG, text
from reviewkit.model import Finding

_ACROSS = 3

# A cell and its parts [in].
_WIDE, _SHOT_HIGH, _LINE_HIGH, _GAP = 2.05, 1.55, 0.135, 0.1
_LETTERS = 43


def pose_sheet(finding: Finding, figure: Figure) -> tuple[str, str, str]:
    """The best poses standing on the plate, with their numbers, the best one framed."""
    evidence = finding.evidence
    told = [_words(finding, place) for place in range(len(evidence["names"]))]
    rows = [told[start : start + _ACROSS] for start in range(0, len(told), _ACROSS)]
    highs = [_SHOT_HIGH + (1.5 + max(sum(map(len, _wrapped(words))) for words in row)) * _LINE_HIGH for row in rows]
    wide, high = _ACROSS * (_WIDE + _GAP), sum(highs)
    figure.set_layout_engine("none")
    figure.set_size_inches(wide, high)
    for place, words in enumerate(told):
        row, column = divmod(place, _ACROSS)
        left, bottom = column * (_WIDE + _GAP) + _GAP / 2, high - sum(highs[:row]) - _GAP / 2 - _SHOT_HIGH
        box = (left / wide, bottom / high, _WIDE / wide, _SHOT_HIGH / high)
        _cell(figure.add_axes(box), finding, place, words)
    framed = "The best is framed." if evidence["best"].size else "None of them is possible."
    return (
        "Ways to lie on the plate",
        f"All to one scale, the plate's grid is 10 mm. {framed} A score of 0 is best in every respect, 1 worst.",
        "The part standing on the plate in each pose. "
        + "; ".join(f"{place}, {', '.join(words)}" for place, words in enumerate(told, 1))
        + ".",
    )


def _cell(axes: Axes, finding: Finding, place: int, words: list[str]) -> None:
    """One pose with its words below, framed when it is the best."""
    evidence = finding.evidence
    axes.set_xticks([])
    axes.set_yticks([])
    if (shot := evidence.get(f"shot_{place}")) is not None:
        axes.imshow(shot, aspect="auto", interpolation="antialiased")
    best = place in evidence["best"]
    for spine in axes.spines.values():
        spine.set_visible(True)
        spine.set_color(INK if best else LINE)
        spine.set_linewidth(2.4 if best else 0.5)
    below = -0.05
    for number, lines in enumerate(_wrapped([f"{place + 1}  {words[0]}", *words[1:]])):
        wrong = bool(evidence["failed"][place]) and number == len(words) - 1
        style = {"fontsize": 6.6, "color": WRONG if wrong else INK}
        if number == 0:
            style |= {"fontsize": 7.2, "fontweight": "bold"}
        for line in lines:
            text(axes, 0.0, below, line, transform=axes.transAxes, va="top", **style)
            below -= _LINE_HIGH / _SHOT_HIGH


def _wrapped(words: list[str]) -> list[list[str]]:
    """Lines of each sentence; the bold first one takes more room."""
    return [textwrap.wrap(sentence, _LETTERS - 6 * (number == 0)) for number, sentence in enumerate(words)]


def _words(finding: Finding, place: int) -> list[str]:
    """What is said of one pose, a line each."""
    evidence = finding.evidence
    remarks = []
    if place in evidence["best"]:
        remarks.append("best")
    if place in evidence["reviewed"]:
        remarks.append("reviewed")
    if evidence["alike"][place] > 1:
        remarks.append(f"{evidence['alike'][place] - 1} more alike")
    support_mm3 = evidence["support_mm3"][place]
    support = f"{support_mm3:.0f} mm³" if support_mm3 < 1e4 else f"{support_mm3 / 1000:.0f} cm³"
    lines = [
        evidence["names"][place] + (f" ({', '.join(remarks)})" if remarks else ""),
        f"overhang {evidence['overhang_mm2'][place]:.0f} mm², support {support}",
        f"{evidence['height_mm'][place]:.1f} mm high in {evidence['layers'][place]} layers",
        f"{evidence['contact_mm2'][place]:.0f} mm² on the plate, score {evidence['scores'][place]:.2f}",
    ]
    if evidence["failed"][place]:
        lines.append(f"not possible: {evidence['failed'][place]}")
    return lines
