"""PR-11: thin sections that bend or carry load with their pull across the layers.

A printed part is weaker from layer to layer than along its layers.  A leaf that bends is pulled
along its length: lying in the layers it keeps its strength, standing on them it loses up to half
and breaks without warning.
"""

from dataclasses import dataclass

import numpy as np

from reviewkit.judging import WHOLE, finding, mm_words, not_checked, percent_words, too_open, vector
from reviewkit.limits import Limits
from reviewkit.measure.sections import Member, member, strength_share, volume_corners
from reviewkit.model import Band, Finding, Floats, Limit, Measurement, Place, Sense, Severity, Verdict
from reviewkit.submission import Box, Region, RegionKind, RequirementKind, region_contains
from reviewkit.workpiece import Workpiece

CODE = "PR-11"
DOMAIN = "printability"

_LOADED = (RequirementKind.FORCE, RequirementKind.LOAD, RequirementKind.LIFE)
_WORKING = (RegionKind.FLEXURE, RegionKind.MOVING, RegionKind.GRIP)
_METHOD = "second moments of the matter in the region, layer by layer; strength by the Tsai-Hill criterion"
_LYING_DEG = 90.0


def loads(workpiece: Workpiece, limits: Limits) -> list[Finding]:
    """Judge the direction of thin sections that bend or carry load against the layers.

    Parameters
    ----------
    workpiece : Workpiece
    limits : Limits
        Tables with the rows ``load.*``.

    Returns
    -------
    list of Finding
        The whole part first, then one a region whose strength the layers take.
    """
    regions = _loaded_regions(workpiece)
    layers = workpiece.layers
    if regions and (reason := too_open(workpiece, limits, layers.open_mm, layers.outline_mm)):
        return [not_checked(workpiece, CODE, DOMAIN, "Load against the layers was", reason)]
    case = _Case.of(workpiece, limits)
    if not regions:
        return [_nothing_marked(case)]
    leaves = [_Leaf(region, shape) for region in regions if (shape := _shape(workpiece, region)) is not None]
    thin = [leaf for leaf in leaves if case.is_thin(leaf)]
    empty = sorted({region.name for region in regions} - {leaf.region.name for leaf in leaves})
    wrong = sorted(
        (leaf for leaf in thin if case.verdict(leaf) is not Verdict.MEETS), key=lambda leaf: case.share(leaf)
    )
    return [_whole_part(case, leaves, thin, wrong, empty), *(_crossed(case, leaf) for leaf in wrong[: case.listed])]


@dataclass(frozen=True, eq=False)
class _Leaf:
    """A region with the thin section in it."""

    region: Region
    shape: Member


@dataclass(frozen=True, eq=False)
class _Case:
    """A workpiece and the rows that PR-11 judges it by."""

    workpiece: Workpiece
    band: Band
    across: Limit
    across_range: tuple[float, float]
    shear_share: float
    brittle: float
    slender: float
    thin_mm: float
    listed: int

    @classmethod
    def of(cls, workpiece: Workpiece, limits: Limits) -> "_Case":
        setup = workpiece.setup
        ratio = setup.material["layer_strength_ratio"]
        return cls(
            workpiece=workpiece,
            band=limits.band("load.share", setup),
            across=Limit(
                f"material-{setup.material.id}-layer-strength-ratio", "strength across the layers over that along them",
                ratio.value, "-", Sense.MIN, ratio.source,
            ),
            across_range=(ratio.low, ratio.high),
            shear_share=limits.value("load.shear_share", setup).value,
            brittle=limits.value("load.brittle", setup).value,
            slender=limits.value("load.slender", setup).value,
            thin_mm=limits.value("load.thin", setup).value,
            listed=round(limits.value("load.listed", setup).value),
        )  # fmt: skip

    def is_thin(self, leaf: _Leaf) -> bool:
        """Whether a region is a thin section: every flexure is, and of others what is no block."""
        if leaf.region.kind is RegionKind.FLEXURE:
            return True
        return bool(leaf.shape.size_mm[0] <= self.thin_mm and leaf.shape.slenderness >= self.slender)

    def share(self, leaf: _Leaf) -> float:
        """Strength left of that along the layers."""
        return self._share(leaf, self.across.value)

    def uncertainty(self, leaf: _Leaf) -> float:
        """Half of what the material's range makes of it."""
        low, high = (self._share(leaf, across) for across in self.across_range)
        return (high - low) / 2

    def _share(self, leaf: _Leaf, across: float) -> float:
        return self.strength(leaf.shape.from_z_deg, across)

    def strength(self, from_z_deg: float, across: float) -> float:
        """Strength left at an angle, with shear strength from both pull strengths."""
        return strength_share(from_z_deg, across, self.shear_share * float(np.sqrt(across)))

    def verdict(self, leaf: _Leaf) -> Verdict:
        # The range of the material says how sure the number is, not whether the leaf lies right.
        return self.band.verdict(self.share(leaf))

    @property
    def wanted_deg(self) -> float:
        """Least angle from the build direction at which enough strength is left [deg]."""
        angles = np.arange(0.0, _LYING_DEG + 0.5)
        share = [self.strength(float(a), self.across.value) for a in angles]
        short = np.flatnonzero(np.array(share) < self.band.limits[0].value)
        return float(angles[min(short[-1] + 1, len(angles) - 1)]) if len(short) else 0.0


def _loaded_regions(workpiece: Workpiece) -> list[Region]:
    """Regions of the part that bend, move, are gripped or are named by a load or a motion."""
    submission = workpiece.submission
    named = {requirement.region for requirement in submission.requirements if requirement.what in _LOADED}
    named |= {motion.region for motion in submission.motions}
    own = [region for region in submission.regions if region.part == workpiece.part.id]
    return [region for region in own if region.kind in _WORKING or region.name in named]


def _shape(workpiece: Workpiece, region: Region) -> Member | None:
    """The matter in a region as the bar or leaf that it is most like, or None where there is none."""
    volume = region.volume
    if isinstance(volume, Box):
        corners = volume_corners(np.array(volume.min_mm), np.array(volume.max_mm), volume.turn_deg)
    else:
        corners = volume_corners(np.array(volume.from_mm), np.array(volume.to_mm), radius_mm=volume.radius_mm)
    return workpiece.measured("member", lambda: member(workpiece.layers, workpiece.to_plate(corners)), volume)


def _crossed(case: _Case, leaf: _Leaf) -> Finding:
    """A thin section whose pull goes across the layers."""
    workpiece, shape, region = case.workpiece, leaf.shape, leaf.region
    share, verdict = case.share(leaf), case.verdict(leaf)
    thin_mm, long_mm = float(shape.size_mm[0]), float(shape.size_mm[2])
    low, high = case.across_range
    strain = workpiece.setup.material["strain_many_cycles"]
    allowed = strain.value * share * (case.brittle if verdict is Verdict.FAILS else 1.0)
    worse = " and such a section breaks without warning" if verdict is Verdict.FAILS else ""
    return finding(
        workpiece,
        CODE,
        DOMAIN,
        region.name,
        verdict,
        f"{region.name}, {mm_words(thin_mm)} thick and {mm_words(long_mm)} long, runs {shape.from_z_deg:.0f}° from the "
        f"build direction, so that bending pulls its layers apart. Of its strength along the layers "
        f"{percent_words(share)} is left ({workpiece.setup.material.name} across the layers: {percent_words(low)} to "
        f"{percent_words(high)}){worse}.",
        f"Choose a pose in which {region.name} runs {case.wanted_deg:.0f}° or more from the build direction, best "
        f"lying in the layers at {_LYING_DEG:.0f}°; or keep its strain under {100 * allowed:.2g} % where it bends "
        "thousands of times.",
        severity=Severity.FUNCTION,
        measurements=(
            Measurement("strength left of that along the layers", share, "-", case.uncertainty(leaf), _METHOD),
            Measurement("angle of the section from the build direction", shape.from_z_deg, "deg", 0.0, _METHOD),
            Measurement("thickness", thin_mm, "mm", 0.0, _METHOD),
            Measurement("length", long_mm, "mm", 0.0, _METHOD),
            Measurement("strain to allow, many cycles", allowed, "-", 0.0, "share of the material's own"),
        ),
        limits=(*case.band.limits, case.across),
        where=(_place(case, leaf),),
        figures=("layer_strength",),
        evidence=_drawn(case, [leaf]) | {"faces": _faces(case, leaf)},
    )


def _whole_part(case: _Case, leaves: list[_Leaf], thin: list[_Leaf], wrong: list[_Leaf], empty: list[str]) -> Finding:
    missing = f" There is nothing of the part in {', '.join(empty)}." if empty else ""
    if not thin:
        message = "The regions marked as bending, moving, gripped or loaded are no thin sections"
        if len(leaves) == 1:
            message = f"{leaves[0].region.name} is no thin section"
        message = (
            f"{message}: in blocks the layers decide little." if leaves else "Load against the layers was not checked."
        )
        return finding(
            case.workpiece,
            CODE,
            DOMAIN,
            WHOLE,
            Verdict.NOT_CHECKED if empty else Verdict.MEETS,
            message + missing,
            f"Correct the volume of {', '.join(empty)}." if empty else "",
            severity=Severity.FUNCTION,
            limits=case.band.limits,
        )
    weakest = min(thin, key=case.share)
    verdict = case.verdict(weakest)
    count = f"{len(thin)} thin section{'s' * (len(thin) != 1)} in the marked regions"
    if verdict is Verdict.MEETS and empty:
        verdict = Verdict.NOT_CHECKED
    if not wrong:
        message = f"Bending pulls none of the {count} apart between its layers: all of them lie along the layers."
        if len(thin) == 1:
            message = f"Bending does not pull the thin section in {weakest.region.name} apart between its layers."
        change = f"Correct the volume of {', '.join(empty)}." if empty else ""
    else:
        names = ", ".join(leaf.region.name for leaf in wrong[: case.listed])
        rest = f" and {len(wrong) - case.listed} more" if len(wrong) > case.listed else ""
        lead = (
            f"Of the {count}, {len(wrong)} run{'s' * (len(wrong) == 1)} across the layers: {names}{rest}. The weakest"
        )
        if len(thin) == 1:
            lead = f"The {count.removeprefix('1 ')} runs across the layers: {names}. It"
        message = f"{lead} keeps {percent_words(case.share(weakest))} of its strength along the layers."
        change = (
            "Choose a pose in which every section that bends runs "
            f"{case.wanted_deg:.0f}° or more from the build direction."
        )
    share = Measurement(
        "least strength left of that along the layers", case.share(weakest), "-", case.uncertainty(weakest), _METHOD
    )
    return finding(
        case.workpiece,
        CODE,
        DOMAIN,
        WHOLE,
        verdict,
        message + missing,
        change,
        severity=Severity.FUNCTION,
        measurements=(share,),
        limits=(*case.band.limits, case.across),
    )


def _nothing_marked(case: _Case) -> Finding:
    """No region to judge: fine where none is wanted, a question where the part is to carry something."""
    workpiece, submission = case.workpiece, case.workpiece.submission
    part = workpiece.part.id
    first = submission.parts[0].id if submission.parts else part
    asked = [r.id for r in submission.requirements if r.what in _LOADED and (r.part or first) == part]
    if not asked and any(region.part == part for region in submission.regions):
        message = (
            "No region of this part is marked as bending, moving, gripped or loaded, so no load crosses its layers."
        )
        return finding(workpiece, CODE, DOMAIN, WHOLE, Verdict.MEETS, message, limits=case.band.limits)
    carried = f", or that carries what {' and '.join(asked)} ask{'s' * (len(asked) == 1)}" if asked else ""
    message = f"Load against the layers was not checked: no region is marked that bends, moves or is gripped{carried}."
    change = "Mark the regions that bend, move or are held, if there are any" + (
        f", and name in {' and '.join(asked)} the region that carries it." if asked else "."
    )
    return finding(workpiece, CODE, DOMAIN, WHOLE, Verdict.NOT_CHECKED, message, change, severity=Severity.FUNCTION)


def _place(case: _Case, leaf: _Leaf) -> Place:
    """The block that the section is most like, in the part's frame."""
    workpiece, shape = case.workpiece, leaf.shape
    axes = workpiece.to_part_direction(shape.axes)
    middle = workpiece.to_part(shape.centre_mm[None])[0]
    reach = np.abs(axes.T) @ (shape.size_mm / 2)
    return Place(vector(middle), vector(axes[0]), (vector(middle - reach), vector(middle + reach)), "faces")


def _faces(case: _Case, leaf: _Leaf) -> np.ndarray:
    """Facets that lie in the region with a corner or their middle."""
    part = case.workpiece.part
    corner = region_contains(leaf.region, part.vertices)[part.faces].any(axis=1)
    middle = region_contains(leaf.region, part.vertices[part.faces].mean(axis=1))
    return np.flatnonzero(corner | middle)


def _drawn(case: _Case, leaves: list[_Leaf]) -> dict[str, Floats]:
    """Strength by angle, and where these sections stand on it."""
    angles = np.linspace(0.0, _LYING_DEG, 91)
    low, high = case.across_range
    curves = {"share": case.across.value, "least_share": low, "most_share": high}
    return {
        "angle_deg": angles,
        **{name: np.array([case.strength(float(a), across) for a in angles]) for name, across in curves.items()},
        "leaf_deg": np.array([leaf.shape.from_z_deg for leaf in leaves]),
        "leaf_share": np.array([case.share(leaf) for leaf in leaves]),
    }
