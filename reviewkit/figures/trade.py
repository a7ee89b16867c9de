"""Leaves that are traded: force and energy over the stroke of one design, and many designs side by side.

Both are drawn anew at each step of a slider, where a general plotting library takes a tenth of a
second a picture; these few strokes are written as SVG at once, in the look of the other figures.
"""

import html
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

import numpy as np

from reviewkit.figures.style import GREY, INK, LINE, MEASURED, WRONG
from reviewkit.model import Drawing, Floats

_Row = Sequence[float] | Floats

_WIDTH_PX, _STUDY_PX = 630, 300
_ROW_PX, _HEAD_PX = 20, 46
_NAMES_PX, _BAR_SHARE = 198, 0.5
_SIZE_PX, _SMALL_PX = 11.0, 9.5
_TICKS = 6
_HATCHES = (
    '<defs><pattern id="parts" width="7" height="7" patternUnits="userSpaceOnUse" patternTransform="rotate(45)">'
    f'<path d="M0 0V7" stroke="{MEASURED}" stroke-width="1.2"/></pattern>'
    '<pattern id="beyond" width="6" height="6" patternUnits="userSpaceOnUse">'
    f'<circle cx="2" cy="2" r="0.8" fill="{WRONG}"/></pattern></defs>'
)


def leaf_study(evidence: Mapping[str, Any]) -> Drawing:
    """Force and stored energy over the stroke with the scatter of parts, and where the material has had enough.

    Parameters
    ----------
    evidence : mapping of str to array
        ``stroke`` (k,); ``force``, ``energy_mj``, ``before_force`` and ``before_energy_mj`` (k,) of the design and of
        the one that it began from; ``scatter`` and ``material`` (2,), ratios for 95 of 100 parts and for the range
        of the material; ``end``, the stroke asked for; ``strain_stroke`` where the allowed strain is reached, inf
        where it is not; ``strain_allowed``; ``material_name``.
    """
    stroke, end = evidence["stroke"], float(evidence["end"])
    limit, (low, high) = float(evidence["strain_stroke"]), evidence["scatter"]
    sheet = _Sheet(_WIDTH_PX, _STUDY_PX, [_HATCHES])
    _curves(_Field(sheet, 48, 372, 46, 254), evidence, "force", "force [N]")
    _curves(_Field(sheet, 436, 622, 46, 254), evidence, "energy_mj", "energy [mJ]")
    _study_legend(sheet)
    force, energy = (float(np.interp(end, stroke, evidence[key])) for key in ("force", "energy_mj"))
    allowed = f"{100 * float(evidence['strain_allowed']):.2g} %"
    where = f"at {limit:.3g} mm" if limit <= float(stroke[-1]) else "beyond this stroke"
    told = f"{evidence['material_name']} reaches {allowed} strain, its limit for many strokes, {where}"
    return sheet.drawing(
        "leaf-study",
        "Force and energy over the stroke",
        "Line: widths as the lines are laid; dotted: the design it began from. Grey: the range of the material. "
        f"Hatched: 95 of 100 parts, widths scattering. Orange: {told}.",
        f"Force rises to {force:.3g} N at {end:.3g} mm, from {low * force:.3g} to {high * force:.3g} N for 95 of 100 "
        f"parts; energy to {energy:.3g} mJ. {told}.",
    )


def trade_table(evidence: Mapping[str, Any]) -> Drawing:
    """Designs that do the same side by side, a column a quantity.

    Parameters
    ----------
    evidence : mapping of str to array
        ``names`` (r,); ``columns`` and ``units`` (c,) in words; ``values`` and ``errors`` (r, c), nan for no error;
        ``against`` (r,), whether something is against a design.
    """
    names, columns, units = evidence["names"], evidence["columns"], evidence["units"]
    values, errors, against = evidence["values"], evidence["errors"], evidence["against"]
    sheet = _Sheet(_WIDTH_PX, _HEAD_PX + _ROW_PX * len(names) + 6)
    wide = (_WIDTH_PX - _NAMES_PX) / len(columns)
    most = np.nanmax(values + np.nan_to_num(errors), axis=0)
    for column, (word, unit) in enumerate(zip(columns, units, strict=True)):
        left = _NAMES_PX + column * wide
        sheet.text(left, 16, word, _SMALL_PX)
        sheet.text(left, 29, f"[{unit}]" if unit else "", _SMALL_PX)
        sheet.line([left, left], [_HEAD_PX - 8, sheet.height], LINE, 0.6)
        scale = _BAR_SHARE * wide / most[column] if most[column] > 0 else 0.0
        for row, value in enumerate(values[:, column]):
            top, error = _HEAD_PX - 6 + row * _ROW_PX, float(np.nan_to_num(errors[row, column])) * scale
            sheet.rect(left, top, value * scale, _ROW_PX - 7, WRONG if against[row] else MEASURED)
            if error:
                middle = top + (_ROW_PX - 7) / 2
                sheet.line([left + value * scale - error, left + value * scale + error], [middle, middle], INK, 1.0)
            sheet.text(left + value * scale + error + 2, top + 10, f"{value:.3g}", _SMALL_PX)
    for row, name in enumerate(names):
        at = _HEAD_PX + 4 + row * _ROW_PX
        sheet.text(_NAMES_PX - 6, at, name, _SIZE_PX - 0.5, "end", WRONG if against[row] else INK)
    bad = int(np.sum(against))
    return sheet.drawing(
        "trade-table",
        "Leaves that do the same",
        "Same stiffness, stroke and strain unless the row says otherwise. Orange: something is against it, see the "
        "table. Time is a proxy, length of the lines over their speed, with its range.",
        f"Bars of {', '.join(map(str, columns))} for {len(names)} designs; {bad} of them have something against them.",
    )


# --- curves ---------------------------------------------------------------------------------


def _curves(axes: "_Field", evidence: Mapping[str, Any], key: str, label: str) -> None:
    """One quantity over the stroke, with both ranges, the design before, the end of the stroke and the limit."""
    stroke, values, before = evidence["stroke"], evidence[key], evidence[f"before_{key}"]
    (low, high), (soft, stiff) = evidence["scatter"], evidence["material"]
    end, limit, last = float(evidence["end"]), float(evidence["strain_stroke"]), float(stroke[-1])
    top = 1.08 * float(max(np.max(stiff * values), np.max(high * values), np.max(before)))
    axes.scaled(last, top, "stroke [mm]", label)
    axes.area(stroke, soft * values, stiff * values, GREY)
    axes.area(stroke, low * values, high * values, "url(#parts)")
    if limit < last:
        axes.area(np.array([limit, last]), np.zeros(2), np.full(2, top), "url(#beyond)")
        axes.line(np.array([limit, limit]), np.array([0.0, top]), WRONG, 1.6)
    axes.line(stroke, before, INK, 1.2, "1.5 3")
    axes.line(stroke, values, MEASURED, 2.0)
    axes.dot(end, float(np.interp(end, stroke, values)))


def _study_legend(sheet: "_Sheet") -> None:
    """What the marks mean, over both fields."""
    for left, word, fill, stroke, dash in (
        (48, "this design", "", MEASURED, ""),
        (156, "it began from", "", INK, "1.5 3"),
        (274, "material's range", GREY, "", ""),
        (406, "95 % of parts", "url(#parts)", "", ""),
        (520, "strain allowed", "", WRONG, ""),
    ):
        if fill:
            sheet.rect(left, 8, 22, 10, fill)
        else:
            sheet.line([left, left + 22], [13, 13], stroke, 1.8, dash)
        sheet.text(left + 27, 17, word, _SIZE_PX - 0.5)


# --- strokes --------------------------------------------------------------------------------


@dataclass
class _Sheet:
    """A picture being written; places in px from the upper left."""

    width: int
    height: int
    parts: list[str] = field(default_factory=list)

    def rect(self, x: float, y: float, width: float, height: float, fill: str) -> None:
        self.parts.append(f'<rect x="{x:.1f}" y="{y:.1f}" width="{width:.1f}" height="{height:.1f}" fill="{fill}"/>')

    def line(self, x: _Row, y: _Row, ink: str, wide: float, dash: str = "") -> None:
        dashed = f' stroke-dasharray="{dash}"' if dash else ""
        self.parts.append(
            f'<polyline points="{_points(x, y)}" fill="none" stroke="{ink}" stroke-width="{wide}"{dashed}/>'
        )

    def polygon(self, x: Floats, y: Floats, fill: str) -> None:
        self.parts.append(f'<polygon points="{_points(x, y)}" fill="{fill}"/>')

    def text(self, x: float, y: float, words: object, size: float, anchor: str = "start", ink: str = INK) -> None:
        self.parts.append(
            f'<text x="{x:.1f}" y="{y:.1f}" font-size="{size:g}" text-anchor="{anchor}" fill="{ink}">'
            f"{html.escape(str(words))}</text>"
        )

    def drawing(self, name: str, title: str, caption: str, alt: str) -> Drawing:
        """The finished picture."""
        head = (
            f'<svg xmlns="http://www.w3.org/2000/svg" width="{self.width}" height="{self.height}" '
            f'viewBox="0 0 {self.width} {self.height}" font-family="DejaVu Sans, Verdana, sans-serif">'
        )
        svg = f'{head}<rect width="100%" height="100%" fill="white"/>{"".join(self.parts)}</svg>'
        return Drawing(name, "", title, caption, alt, svg.encode(), None, self.width, self.height)


@dataclass
class _Field:
    """Axes on a sheet: a rectangle in px with the scales of its two quantities, both from 0."""

    sheet: _Sheet
    left: float
    right: float
    top: float
    bottom: float
    last: float = 1.0
    most: float = 1.0

    def scaled(self, last: float, most: float, x_label: str, y_label: str) -> None:
        """Set the scales and draw the axes with their ticks."""
        self.last, self.most = last, most or 1.0
        sheet, bottom = self.sheet, self.bottom
        for tick in _ticks(self.last):
            x = float(self._x(np.array(tick)))
            sheet.line([x, x], [bottom, bottom + 4], LINE, 0.8)
            sheet.text(x, bottom + 16, f"{tick:g}", _SIZE_PX, "middle")
        for tick in _ticks(self.most):
            y = float(self._y(np.array(tick)))
            sheet.line([self.left - 4, self.left], [y, y], LINE, 0.8)
            sheet.text(self.left - 7, y + 4, f"{tick:g}", _SIZE_PX, "end")
        sheet.line([self.left, self.left, self.right], [self.top, bottom, bottom], LINE, 0.8)
        sheet.text((self.left + self.right) / 2, bottom + 34, x_label, _SIZE_PX, "middle")
        sheet.text(self.left - 40, self.top - 6, y_label, _SIZE_PX)

    def line(self, x: Floats, y: Floats, ink: str, wide: float, dash: str = "") -> None:
        self.sheet.line(self._x(x), self._y(y), ink, wide, dash)

    def area(self, x: Floats, low: Floats, high: Floats, fill: str) -> None:
        self.sheet.polygon(self._x(np.append(x, x[::-1])), self._y(np.append(low, high[::-1])), fill)

    def dot(self, x: float, y: float) -> None:
        at = float(self._x(np.array(x))), float(self._y(np.array(y)))
        self.sheet.parts.append(f'<circle cx="{at[0]:.1f}" cy="{at[1]:.1f}" r="4" fill="{MEASURED}"/>')

    def _x(self, value: Floats) -> Floats:
        return self.left + value / self.last * (self.right - self.left)

    def _y(self, value: Floats) -> Floats:
        return self.bottom - value / self.most * (self.bottom - self.top)


def _ticks(most: float) -> list[float]:
    """Round numbers from 0 up to a value, about six of them at most."""
    power = 10.0 ** np.floor(np.log10(most / _TICKS))
    step = next(power * part for part in (1, 2, 5, 10) if power * part * _TICKS >= most)
    return [float(f"{step * count:.12g}") for count in range(int(most / step + 1e-9) + 1)]


def _points(x: _Row, y: _Row) -> str:
    return " ".join(f"{one:.1f},{other:.1f}" for one, other in zip(x, y, strict=True))
