"""FL-01 to FL-04: where the mass sits, what turns the body, its flight, and its energy on the way."""

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure

from reviewkit.figures.style import GREY, INK, LINE, MEASURED, WRONG, fill_rings, text
from reviewkit.model import Finding, Floats

_DASHED = (0, (4, 2))
# Bodies drawn along a flight, and how long each is against the drawing [-].
_BODIES, _BODY_SHARE = 9, 0.075
# A core that is filled less is drawn light [-].
_LIGHT = 0.1


def side_view(finding: Finding, figure: Figure) -> tuple[str, str, str]:
    """The outline from the side with mass centre, middle of the side and centre of pressure."""
    evidence = finding.evidence
    x, half, void, fin = (evidence[name] for name in ("x_mm", "half_mm", "void_mm", "fin_mm"))
    (start, end), ends = evidence["ends_mm"], evidence["end_half_mm"]
    mass, side, pressure = evidence["mass_mm"], float(evidence["side_mm"][0]), float(evidence["pressure_mm"][0])
    along = np.concatenate([[start], x, [end]])
    edge, inner = np.concatenate([ends[:1], half, ends[1:]]), np.concatenate([[0.0], void, [0.0]])
    figure.set_size_inches(6.3, 2.7)
    axes = figure.add_subplot()
    fill_rings(axes, _mirrored(along, edge), facecolor=GREY, edgecolor=INK, linewidth=0.9)
    low, high = np.pad(evidence["core_mm"], ((0, 0), (1, 1)))
    fill = np.pad(evidence["core_fill"], 1, mode="edge")
    for light, hatch in ((fill < _LIGHT, "..."), ((fill >= _LIGHT) & (fill < 1), "......")):
        for way in (1, -1) if low.max() > 0 else (1,):
            floor = way * low if low.max() > 0 else -high
            where = light & (high > low)
            axes.fill_between(
                along, floor, way * high, where=where, facecolor="white", edgecolor=LINE, linewidth=0.4, hatch=hatch
            )
    if inner.max() > 0:
        axes.fill_between(along, -inner, inner, facecolor="white", edgecolor=LINE, linewidth=0.6)
    if len(fin):
        for way in (1, -1):
            fill_rings(
                axes, np.vstack([fin, fin[:1]]) * (1, way), facecolor="white", edgecolor=INK, linewidth=0.9, hatch="//"
            )
    top = max(float(half.max()), float(fin[:, 1].max()) if len(fin) else 0.0)
    axes.plot([mass[0], mass[2]], [0, 0], color=MEASURED, linewidth=4.0, solid_capstyle="butt")
    axes.plot(side, 0, "s", color=INK, markersize=9, markeredgecolor="white")
    axes.plot(mass[1], 0, "o", color=MEASURED, markersize=6, markeredgecolor="white")
    axes.plot(pressure, 0, "D", color=WRONG, markersize=6, markeredgecolor="white")
    # Labels over one another are hard to read: each has a height of its own.
    for row, (at, words, colour) in enumerate(
        ((mass[1], f"mass {mass[1]:.1f}", MEASURED), (side, f"side {side:.1f}", INK),
         (pressure, f"pressure {pressure:.1f} mm", WRONG))
    ):  # fmt: skip
        high = top * (1.35 + 0.45 * row)
        axes.plot([at, at], [0, high], color=colour, linewidth=0.7)
        text(axes, at, high, f" {words}", color=colour, fontsize=7.5, ha="left", va="center",
             bbox={"facecolor": "white", "edgecolor": "none", "pad": 0.6}, zorder=6)  # fmt: skip
    span = float(end - start)
    axes.set_xlim(start - 0.04 * span, end + 0.14 * span)
    axes.set_ylim(-1.3 * top, 2.6 * top)
    axes.set_aspect("equal")
    axes.set_yticks([-round(top), 0, round(top)])
    axes.set_xlabel("behind the nose [mm]")
    return (
        "Where the mass sits",
        "Side view, flying to the left. Grey: solid; dots: core, dense from a tenth filled; white: hollow as drawn; "
        "hatched: fins. Blue disc: mass centre, with its "
        "range. Black square: middle of the side, where air pushes a body that lies across its path. Orange: centre of "
        "pressure near nose first, which must lie behind the mass centre for a steady flight.",
        f"Side view of a body {span:.0f} mm long. Mass centre {mass[1]:.1f} mm behind the nose, middle of the side "
        f"{side:.1f} mm, centre of pressure {pressure:.1f} mm.",
    )


def moment_over_angle(finding: Finding, figure: Figure) -> tuple[str, str, str]:
    """Moment about the mass centre over the angle between nose and path, as drawn and of another body."""
    evidence = finding.evidence
    angle, moment, better = evidence["angle_deg"], evidence["moment"], evidence["better"]
    name = str(evidence["better_name"][0])
    figure.set_size_inches(6.3, 2.8)
    axes = figure.add_subplot()
    axes.fill_between(
        angle, 0, moment, where=moment > 0, facecolor="white", edgecolor=WRONG, hatch="////", linewidth=0.0
    )
    axes.axhline(0, color=INK, linewidth=0.8)
    axes.plot(angle, moment, color=WRONG, linewidth=1.6, label="as drawn")
    axes.plot(angle, better, color=MEASURED, linewidth=1.3, linestyle=_DASHED, label=name)
    for at, stable in zip(evidence["balance_deg"], evidence["stable"], strict=True):
        face = INK if stable else "white"
        axes.plot(at, 0, "o", markersize=7, markerfacecolor=face, markeredgecolor=INK, clip_on=False, zorder=5)
    rest = [float(at) for at, stable in zip(evidence["balance_deg"], evidence["stable"], strict=True) if stable]
    axes.set_xlim(0, 180)
    axes.set_xticks(range(0, 181, 30))
    axes.set_xlabel("nose against path [deg]: 0 nose first, 90 broadside, 180 tail first")
    axes.set_ylabel("moment coefficient [-]")
    axes.legend(loc="lower center", bbox_to_anchor=(0.5, 1.0), ncols=2)
    where = " and ".join(f"{at:.0f}" for at in rest) or "no"
    return (
        "What turns the body",
        "Moment of the air about the mass centre; above the line it turns the nose away from the path (hatched). Full "
        f"discs: angles that it comes back to, {where} degrees as drawn; empty discs: angles that it leaves.",
        f"Moment coefficient from nose first to tail first. As drawn the body comes back to {where} degrees.",
    )


def what_would_help(finding: Finding, figure: Figure) -> tuple[str, str, str]:
    """Each change with its margin, the angle that it settles at, and its range."""
    evidence = finding.evidence
    names, table, wanted = evidence["names"], evidence["table"], float(evidence["margin_wanted"][0])
    figure.set_size_inches(6.3, 0.9 + 0.27 * len(names))
    axes = figure.add_subplot()
    rows = np.arange(len(names))[::-1]
    margin = table[:, 2]
    for row, value in zip(rows, margin, strict=True):
        good = value >= wanted
        axes.barh(
            row, value, height=0.6, facecolor=MEASURED if good else "white", edgecolor=MEASURED if good else WRONG,
            hatch=None if good else "////",
        )  # fmt: skip
    low, high = min(float(margin.min()), 0.0), max(float(margin.max()), wanted)
    span = high - low
    axes.axvline(0, color=INK, linewidth=0.8)
    axes.axvline(wanted, color=INK, linewidth=0.8, linestyle=_DASHED)
    columns = (
        ("mass", "g", table[:, 0], "{:.2g}"), ("settles", "deg", table[:, 3], "{:.0f}"),
        ("turns up to", "deg", table[:, 5], "{:.0f}"), ("range", "m", table[:, 4], "{:.2g}"),
    )  # fmt: skip
    for place, (title, unit, values, shape) in enumerate(columns):
        at = high + span * (0.12 + 0.19 * place)
        text(axes, at, len(names) - 0.35, f"{title}\n[{unit}]", fontsize=6.5, ha="center", va="bottom")
        for row, value in zip(rows, values, strict=True):
            text(
                axes, at, row, shape.format(value) if np.isfinite(value) else "-", fontsize=7, ha="center", va="center"
            )
    axes.set_yticks(rows, [str(name) for name in names], parse_math=False)
    axes.set_xlim(low - 0.03 * span, high + span * 0.8)
    axes.set_ylim(-0.6, len(names) + 0.3)
    axes.set_xticks(list(np.arange(np.ceil(low), np.floor(high) + 1)))
    axes.set_xlabel("static margin [calibres]", loc="left")
    listed = "; ".join(
        f"{name} {row[2]:.1f} calibres, settles at {row[3]:.0f} degrees" for name, row in zip(names, table, strict=True)
    )  # fmt: skip
    return (
        "What would help",
        f"Static margin as drawn and with changes, each with the grading that suits it. Dashed: {wanted:g} calibres "
        "that are asked; full bars reach it. Columns: mass, angle that it settles at, greatest angle in flight, range.",
        f"Margins: {listed}.",
    )


def flight_path(finding: Finding, figure: Figure) -> tuple[str, str, str]:
    """The path with the body drawn at its attitude, many times too large."""
    evidence = finding.evidence
    x, y, pitch, angle = evidence["x_m"], evidence["y_m"], evidence["pitch_deg"], evidence["angle_deg"][1]
    along, half = evidence["body_x_mm"], evidence["body_half_mm"]
    within, limits = float(evidence["within_m"][0]), evidence["bounds_deg"]
    far, high = float(x.max()), float(y.max())
    figure.set_size_inches(6.3, float(np.clip(6.3 * (high + 0.2 * far) / far + 0.7, 2.4, 4.4)))
    axes = figure.add_subplot()
    for row, style in ((0, ":"), (2, ":"), (1, "-")):
        axes.plot(x[row], y[row], color=MEASURED, linewidth=0.8 if row != 1 else 1.2, linestyle=style)
    size = _BODY_SHARE * max(far, high) / float(np.ptp(along))
    way = evidence["way_m"][1]
    for at in np.linspace(0, way[-1], _BODIES):
        row = int(np.argmin(np.abs(way - at)))
        bad = abs(angle[row]) > limits[0]
        turn = np.radians(pitch[row])
        ring = _mirrored(along, half) * (-size, size)
        turned = ring @ np.array([[np.cos(turn), np.sin(turn)], [-np.sin(turn), np.cos(turn)]])
        fill_rings(
            axes, turned + np.array([x[1][row], y[1][row]]), facecolor="white" if bad else GREY,
            edgecolor=WRONG if bad else INK, linewidth=0.9, hatch="/////" if bad else None, zorder=3,
        )  # fmt: skip
        nose = np.array([np.cos(turn), np.sin(turn)]) * -size * float(along.min())
        axes.plot(x[1][row] + nose[0], y[1][row] + nose[1], "o", color=WRONG if bad else INK, markersize=2.5, zorder=4)
    axes.axhline(0, color=INK, linewidth=0.9)
    pad = 0.06 * far
    axes.set_xlim(-pad, far + pad)
    axes.set_ylim(-pad, high + 1.4 * pad)
    axes.set_aspect("equal")
    axes.set_xlabel("along the ground [m]")
    axes.set_ylabel("height [m]")
    times = size * 1000
    judged = f" It is judged over {within:g} m of path." if np.isfinite(within) else ""
    return (
        "Flight with the attitude of the body",
        f"Line: path at the likely speed, dotted: at the least and the greatest. Body drawn {times:.2g} times too "
        f"large, a dot at its nose; hatched where nose and path part by more than {limits[0]:g} degrees.{judged}",
        f"Flight over {x[1][-1]:.1f} m up to {high:.1f} m high; the nose leaves its path by up to "
        f"{np.abs(angle).max():.0f} degrees.",
    )


def pitch_over_path(finding: Finding, figure: Figure) -> tuple[str, str, str]:
    """Angle between nose and path over the way flown."""
    evidence = finding.evidence
    way, angle, (good, bad) = evidence["way_m"], evidence["angle_deg"], evidence["bounds_deg"]
    within = float(evidence["within_m"][0])
    figure.set_size_inches(6.3, 2.5)
    axes = figure.add_subplot()
    axes.axhspan(-good, good, facecolor=GREY, edgecolor="none")
    for row, style in ((0, ":"), (2, ":"), (1, "-")):
        # A nose that swings through the back appears on the other side: no line across.
        shown = np.where(np.abs(np.diff(angle[row], prepend=angle[row][0])) > 180, np.nan, angle[row])
        axes.plot(way[row], shown, color=MEASURED, linewidth=0.9 if row != 1 else 1.4, linestyle=style)
    top = float(np.abs(angle).max())
    if top > bad:
        for limit in (bad, -bad):
            axes.axhline(limit, color=WRONG, linewidth=0.9, linestyle=_DASHED)
    if np.isfinite(within):
        axes.axvline(within, color=INK, linewidth=0.8, linestyle=_DASHED)
    _degrees(axes, 1.1 * max(top, 1.2 * good))
    axes.set_xlim(0, float(way.max()))
    axes.set_xlabel("path flown [m]")
    axes.set_ylabel("nose off path [deg]")
    asked = f" Upright dashed: the {within:g} m that are asked for." if np.isfinite(within) else ""
    return (
        "Nose against path on the way",
        f"Line: at the likely speed, dotted: at the least and the greatest. Grey: within {good:g} degrees. Dashed "
        f"orange: {bad:g} degrees, broadside.{asked}",
        f"Angle between nose and path over {way[1][-1]:.1f} m of path, up to {np.abs(angle[1]).max():.0f} degrees.",
    )


def energy_over_path(finding: Finding, figure: Figure) -> tuple[str, str, str]:
    """Energy of the motion over the way flown, and what the launch was judged by."""
    evidence = finding.evidence
    way, energy, launch, turning = (evidence[name] for name in ("way_m", "energy_j", "launch_j", "turning_j"))
    figure.set_size_inches(6.3, 2.5)
    axes = figure.add_subplot()
    axes.plot([0, 0], [launch[0], launch[2]], color=INK, linewidth=4.0, solid_capstyle="butt", clip_on=False,
              label="launch as SA-05 judges it")  # fmt: skip
    for row, style in ((0, ":"), (2, ":"), (1, "-")):
        label = "likely" if row == 1 else "least and greatest speed" if row == 0 else None
        axes.plot(
            way[row], energy[row], color=MEASURED, linewidth=0.9 if row != 1 else 1.4, linestyle=style, label=label
        )
    if turning.max() > 0.01 * energy[1].max():
        axes.plot(way[1], turning, color=WRONG, linewidth=1.1, linestyle=_DASHED, label="of its turning")
    axes.set_xlim(0, float(way.max()))
    axes.set_ylim(0, 1.1 * max(float(energy.max()), float(launch[2])))
    axes.set_xlabel("path flown [m]")
    axes.set_ylabel("energy [J]")
    axes.legend(loc="lower center", bbox_to_anchor=(0.5, 1.0), ncols=4)
    return (
        "Energy on the way",
        "Energy of the motion forwards, from launch to ground; the fall adds to it, the air takes from it. Thick line "
        "at the left: what SA-05 judges, from the lightest to the heaviest print.",
        f"Energy from {energy[1][0]:.3f} J at launch to {energy[1][-1]:.3f} J on the ground.",
    )


def _degrees(axes: Axes, top: float) -> None:
    """Scale for angles up to a bound [deg]."""
    step = next(step for step in (5, 10, 15, 30, 45, 60) if top / step <= 4 or step == 60)
    most = min(top, 185)
    axes.set_ylim(-most, most)
    axes.set_yticks(np.arange(-step * (most // step), most + 1e-9, step))


def _mirrored(along: Floats, half: Floats) -> Floats:
    """Closed outline of a body from its half widths (n, 2)."""
    upper, lower = np.column_stack([along, half]), np.column_stack([along, -half])[::-1]
    return np.vstack([upper, lower, upper[:1]])
