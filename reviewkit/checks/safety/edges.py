"""SA-06: sharp edges and points, by their geometry."""

from collections.abc import Iterator
from dataclasses import dataclass
from functools import cached_property
from itertools import product

import numpy as np
import shapely
from numpy.typing import NDArray

from reviewkit.judging import WHOLE, WORST_FIRST, Case, finding, mm_words, not_checked, ring_points, too_open, vector
from reviewkit.limits import Limits
from reviewkit.measure.edges import Edges, Tip, edges, tips, touched
from reviewkit.measure.sections import plane_section
from reviewkit.model import Finding, Floats, Limit, Measurement, Place, Severity, Vector, Verdict, place_name
from reviewkit.submission import Mounting, Region, RegionKind, region_contains
from reviewkit.workpiece import Workpiece

CODE = "SA-06"
DOMAIN = "safety"

Ints = NDArray[np.int64]
Bools = NDArray[np.bool_]

_BY_FACETS = "turn of the surface along its facets, square to the edge"
_SCREEN = (
    "This is a screen by geometry, not the tester of 16 CFR 1500.48; edges as printed need a hand and a fabric check."
)
_NO_AGE = "the age of the users was not stated: judged as for a child, the strictest"
_HANDS = (RegionKind.GRIP, RegionKind.OPENING)
_DRAWN_EDGES, _DRAWN_MM = 6000, 3.0
_SQUARE, _POINTED, _HIDDEN = range(3)
# A point is the end of an edge when it is this near to one.
_AT_END_MM = 0.1
_NO_RADIUS_MM = 0.01
# Where between the normals of its two faces a fingertip may touch an edge, the likeliest first.
_WAYS = (0.5, 0.25, 0.75, 0.0, 1.0)


def edges_and_points(workpiece: Workpiece, limits: Limits) -> list[Finding]:
    """Judge the convex edges and the points that a hand can reach.

    Parameters
    ----------
    workpiece : Workpiece
    limits : Limits
        Tables with the rows ``edges.*``.

    Returns
    -------
    list of Finding
        The whole part first, with all square edges; then one finding a pointed edge or point, and one
        an opening for fingers with square edges.
    """
    layers = workpiece.layers
    if reason := too_open(workpiece, limits, layers.open_mm, layers.outline_mm):
        return [not_checked(workpiece, CODE, DOMAIN, "Edges and points were", reason)]
    case = _Case(workpiece, limits)
    features = sorted([*case.pointed, *case.points], key=lambda each: (WORST_FIRST.index(each.verdict), each.rank))
    shown = features[: case.listed]
    openings = [region for region in case.hands if region.kind is RegionKind.OPENING]
    rims = [(region, length) for region in openings if (length := case.square_in(region)) > case.value("length")]
    names = _names(case, shown, [region.name for region, _ in rims])
    return [
        _whole(case, features, shown),
        *(_feature(case, each, name) for each, name in zip(shown, names, strict=True)),
        *(_rim(case, region, length_mm) for region, length_mm in rims),
    ]


@dataclass(frozen=True, eq=False)
class _Feature:
    """A pointed edge, or points near one another, in the plate frame."""

    middle: Floats
    outward: Floats
    along: Floats
    box: tuple[Floats, Floats]
    faces: Ints
    region: str
    verdict: Verdict
    rank: tuple[float, ...]
    chain: Ints
    tips: tuple[Tip, ...] = ()


@dataclass(frozen=True, eq=False)
class _Case(Case):
    """A workpiece and the rows that SA-06 judges it by."""

    rows = "edges"

    @property
    def age(self) -> int | None:
        return self.workpiece.submission.use.age_from_months

    @property
    def child(self) -> bool:
        return self.age is None or self.age < self.value("child_age")

    @property
    def guess(self) -> str:
        return _NO_AGE if self.age is None else ""

    @property
    def handled(self) -> bool:
        """Whether edges are handled: always by children, and by adults unless the part is fixed."""
        return self.child or self.workpiece.submission.use.mounting is not Mounting.FIXED

    @property
    def projectile(self) -> bool:
        part = self.workpiece.part.id
        submission = self.workpiece.submission
        launched = any(entry.id == part and entry.launched_by for entry in submission.parts)
        return launched or any(r.part == part and r.kind is RegionKind.PROJECTILE for r in submission.regions)

    @property
    def radius(self) -> Limit:
        """The least radius that is advised."""
        return self.band("radius_child" if self.child else "radius_adult").limits[0]

    @property
    def ball_mm(self) -> float:
        """The fingertip that must not be hurt; the smallest where nobody said whose."""
        age = self.age or 0
        if age <= self.value("infant_age"):
            return self.value("ball_infant")
        return self.value("ball_child" if age < self.value("teen_age") else "ball_adult")

    @cached_property
    def hands(self) -> list[Region]:
        """Regions where hands go."""
        return [r for r in self.workpiece.submission.regions if r.part == self.workpiece.part.id and r.kind in _HANDS]

    @cached_property
    def edges(self) -> Edges:
        asked = (self.value("wedge"), self.radius.value, self.value("blunt"))
        piece = self.workpiece
        return piece.measured(
            "edges", lambda: edges(piece.vertices, piece.faces, 180.0 - asked[0], asked[1], asked[2]), *asked
        )

    @cached_property
    def tips(self) -> list[Tip]:
        asked = (self.value("slot_short"), self.value("slot_long"), self.value("tip_depth"))
        piece = self.workpiece
        return piece.measured("tips", lambda: tips(piece.vertices, piece.faces, asked[:2], asked[2]), *asked)

    @cached_property
    def unmet(self) -> Bools:
        """Stretches with less radius than is advised."""
        return self.edges.radius_mm < self.radius.value * (1 - self.value("radius_slack"))

    @cached_property
    def felt(self) -> Bools:
        """Stretches with less radius than is advised that a fingertip touches from outside."""
        found = np.zeros(len(self.edges), dtype=bool)
        index = np.flatnonzero(self.unmet)
        if not len(index):
            return found
        step = max(1, -(-len(index) // round(self.value("samples"))))
        tried = index[::step]
        one, two = np.swapaxes(self.edges.normals[tried], 0, 1)
        open_ = np.zeros(len(tried), dtype=bool)
        for share in _WAYS:
            left = np.flatnonzero(~open_)
            way = (1 - share) * one[left] + share * two[left]
            way /= np.maximum(np.linalg.norm(way, axis=1), 1e-12)[:, None]
            open_[left] = self.reached(self.edges.middle[tried[left]], way)
        found[index] = np.repeat(open_, step)[: len(index)]
        return found

    def reached(self, points: Floats, outward: Floats) -> Bools:
        share = touched(points, outward, self.workpiece.rays, self.ball_mm)
        reached: Bools = share >= self.value("open_share")
        return reached

    def inside(self, region: Region) -> Bools:
        """Stretches that bound the matter of a region."""
        under = self.edges.middle - self.value("inside") * self.edges.outward
        return region_contains(region, self.workpiece.to_part(under))

    def hand_at(self, point: Floats, outward: Floats) -> str:
        """Name of the region where hands go that a place bounds."""
        under = self.workpiece.to_part((point - self.value("inside") * outward)[None])
        return next((region.name for region in self.hands if region_contains(region, under)[0]), "")

    @cached_property
    def is_acute(self) -> Bools:
        edge = self.edges
        return (edge.wedge_deg < self.value("acute")) & (edge.radius_mm < self.value("sharp_radius")) & self.felt

    @cached_property
    def pointed(self) -> list[_Feature]:
        """Pointed edges, one a chain."""
        return [
            self._edge(chain)
            for chain in self.edges.chains(self.is_acute, self.value("bend"))
            if self.edges.length_mm[chain].sum() >= self.value("acute_length")
        ]

    def _edge(self, chain: Ints) -> _Feature:
        edge = self.edges
        middle = edge.middle_of(chain)
        nearest = chain[np.argmin(np.linalg.norm(edge.middle[chain] - middle, axis=1))]
        ends = np.vstack([edge.start[chain], edge.end[chain]])
        own = tuple(tip for tip in self.felt_tips if np.linalg.norm(ends - tip.point, axis=1).min() < _AT_END_MM)
        region = self.hand_at(middle, edge.outward[nearest])
        along = edge.end[nearest] - edge.start[nearest]
        return _Feature(
            middle,
            edge.outward[nearest],
            along / np.linalg.norm(along),
            (ends.min(axis=0), ends.max(axis=0)),
            np.unique(edge.sides[chain]),
            region,
            Verdict.FAILS if region else Verdict.MARGINAL,
            (0.0, float(edge.wedge_deg[chain].min()), *np.round(middle, 2).tolist()),
            chain,
            own,
        )

    @cached_property
    def felt_tips(self) -> list[Tip]:
        """Points that a fingertip touches from outside."""
        if not self.tips:
            return []
        found = self.reached(np.array([tip.point for tip in self.tips]), np.array([tip.direction for tip in self.tips]))
        return [tip for tip, open_ in zip(self.tips, found, strict=True) if open_]

    @cached_property
    def points(self) -> list[_Feature]:
        """Points that are not the ends of listed edges, together where they are near one another."""
        told = {id(tip) for feature in self.pointed for tip in feature.tips}
        groups: list[list[Tip]] = []
        for tip in self.felt_tips:
            if id(tip) in told:
                continue
            near = (g for g in groups if np.linalg.norm(g[0].point - tip.point) <= self.value("cluster"))
            group = next(near, None)
            if group is None:
                groups.append([tip])
            else:
                group.append(tip)
        features = [self._point(tuple(group)) for group in groups]
        return [feature for feature in features if feature.verdict is not Verdict.MEETS]

    def _point(self, group: tuple[Tip, ...]) -> _Feature:
        lead = group[0]
        points = np.array([tip.point for tip in group])
        region = self.hand_at(lead.point, lead.direction)
        # The rule for points is for children; adults are warned of them where their hands are.
        verdict = (Verdict.MEETS, Verdict.MARGINAL, Verdict.FAILS)[self.child + bool(region)]
        helper = np.cross(lead.direction, np.eye(3)[np.argmin(np.abs(lead.direction))])
        return _Feature(
            lead.point,
            lead.direction,
            helper / np.linalg.norm(helper),
            (points.min(axis=0), points.max(axis=0)),
            np.unique(np.concatenate([tip.faces for tip in group])),
            region,
            verdict,
            (1.0, lead.size_mm[0] * lead.size_mm[1], *np.round(lead.point, 2).tolist()),
            np.empty(0, dtype=np.int64),
            group,
        )

    @cached_property
    def square(self) -> Bools:
        """Stretches of edge without enough radius that are long enough to count and are no pointed edges."""
        chosen = self.felt.copy()
        for feature in self.pointed:
            chosen[feature.chain] = False
        long = np.zeros(len(chosen), dtype=bool)
        for chain in self.edges.chains(chosen, self.value("bend")):
            if self.edges.length_mm[chain].sum() <= self.value("length"):
                break
            long[chain] = True
        return long

    def square_in(self, region: Region) -> float:
        """Length of square edge that bounds a region [mm]."""
        return self.length_mm(self.square & self.inside(region))

    def length_mm(self, chosen: Bools) -> float:
        return float(self.edges.length_mm[chosen].sum())

    @cached_property
    def on_plate(self) -> Bools:
        low = self.workpiece.setup.first_layer_mm / 2
        return np.maximum(self.edges.start[:, 2], self.edges.end[:, 2]) < low


def _names(case: _Case, features: list[_Feature], reserved: list[str]) -> list[str]:
    """Subjects of features: the region where hands go if it has one, else the place; none twice."""
    regions = [feature.region for feature in features]
    taken = [*regions, *reserved, WHOLE]
    names: list[str] = []
    for feature in features:
        spot = place_name(case.workpiece.to_part(feature.middle[None])[0])
        name = spot if not feature.region else feature.region
        if feature.region and taken.count(feature.region) > 1:
            name = f"{feature.region} {spot}"
        alike = sum(known == name or known.startswith(f"{name} no. ") for known in names)
        names.append(f"{name} no. {alike + 1}" if alike else name)
    return names


def _whole(case: _Case, features: list[_Feature], shown: list[_Feature]) -> Finding:
    """The one finding that sums up all edges and points."""
    square_mm = case.length_mm(case.square)
    judged = case.handled and not case.projectile and square_mm > 0
    verdict = min(
        [each.verdict for each in features] + [Verdict.MARGINAL if judged else Verdict.MEETS], key=WORST_FIRST.index
    )
    told = list(_square_told(case, square_mm))
    measurements = [Measurement("length of square edges in reach", square_mm, "mm", 0.0, _BY_FACETS)]
    if square_mm:
        plate_mm = case.length_mm(case.square & case.on_plate)
        measurements.append(Measurement("of them on the plate", plate_mm, "mm", 0.0, _BY_FACETS))
    if features:
        kinds = [
            _counted(sum(bool(len(f.chain)) for f in features), "edge is pointed", "edges are pointed"),
            _counted(sum(not len(f.chain) for f in features), "place is a point", "places are points"),
        ]
        more = f", the {len(shown)} worst listed" if len(shown) < len(features) else ", listed below"
        told.append(f"{' and '.join(filter(None, kinds))}{more}.")
    told += _quiet_told(case)
    changes = []
    if judged:
        changes.append(
            f"Round the edges that are handled by {mm_words(case.radius.value)} or more, on the plate by a chamfer of "
            f"{mm_words(case.radius.value)} instead."
        )
    if features:
        changes.append("Change the places listed.")
    longest = next(case.edges.chains(case.square, case.value("bend")), None)
    limits = [
        case.radius,
        *(case.limits.value(f"edges.{n}", case.workpiece.setup) for n in ("wedge", "sharp_radius", "length")),
    ]
    if case.child:
        limits += _tip_limits(case)
    return finding(
        case.workpiece,
        CODE,
        DOMAIN,
        WHOLE,
        verdict,
        f"{' '.join(told)} {_SCREEN}",
        " ".join(changes),
        severity=Severity.INJURY if features else Severity.LOOKS,
        measurements=tuple(measurements),
        limits=tuple(limits),
        where=(_edge_place(case, longest),) if judged and longest is not None else (),
        figures=("edge_map",) if case.unmet.any() or features else (),
        evidence=_map(case, features),
        guess=case.guess,
    )


def _square_told(case: _Case, square_mm: float) -> Iterator[str]:
    """What there is to say of square edges."""
    radius = mm_words(case.radius.value)
    if case.projectile:
        if square_mm:
            yield (
                f"It is a projectile: {mm_words(square_mm)} of its edges have a radius under {radius}; what its nose "
                "may do is judged with the projectiles."
            )
        else:
            yield f"It is a projectile and no edge of it has a radius under {radius}."
        return
    if not square_mm:
        yield f"No convex edge of 90° or less that a hand reaches has a radius under {radius} over more than " + (
            f"{mm_words(case.value('length'))}."
        )
        return
    plain_mm, sharp_mm = (
        case.length_mm(case.square & (case.edges.radius_mm < least))
        for least in (_NO_RADIUS_MM, case.value("sharp_radius"))
    )
    how = ""
    if plain_mm > 0.99 * square_mm:
        how = ", drawn without radius"
    elif sharp_mm:
        share = "all of it" if sharp_mm > 0.99 * square_mm else f"over {mm_words(sharp_mm)} of it"
        how = f", {share} under {mm_words(case.value('sharp_radius'))}"
    yield (
        f"Outer edges that a hand can reach are square over {mm_words(square_mm)}: their radius is under {radius}{how}."
    )
    if not case.handled:
        yield "The part is fixed and used by adults, so that they are not handled and nothing is asked of them."
    plate_mm = case.length_mm(case.square & case.on_plate)
    if plate_mm:
        yield (
            f"{mm_words(plate_mm)} of them lie on the plate, where the first layers bulge out: as printed that rim has "
            "a thin flare that is sharper than drawn."
        )
    grips = [r for r in case.hands if r.kind is RegionKind.GRIP]
    held = [(r.name, length) for r in grips if (length := case.square_in(r)) > case.value("length")]
    if held:
        names = ", ".join(f"{mm_words(length)} on {name}" for name, length in held)
        yield f"Where the part is held there are {names}; how they lie in the hand is judged with the grip."


def _quiet_told(case: _Case) -> Iterator[str]:
    """What was found and asks for nothing."""
    hidden_mm = case.length_mm(case.unmet & ~case.felt)
    if hidden_mm > case.value("length"):
        yield f"Another {mm_words(hidden_mm)} lie where no fingertip of {case.ball_mm:g} mm comes from outside."
    listed = {id(tip) for feature in [*case.pointed, *case.points] for tip in feature.tips}
    rest = [tip for tip in case.tips if id(tip) not in listed]
    if rest and not case.child:
        places = _counted(len(rest), "corner is", "corners are")
        yield f"{places} fine enough to be a point by the rule for children's toys, which adults' things need not meet."
    elif rest:
        yield f"{_counted(len(rest), 'point lies', 'points lie')} out of reach."


def _feature(case: _Case, feature: _Feature, name: str) -> Finding:
    """A pointed edge or a point."""
    return (_pointed if len(feature.chain) else _point)(case, feature, name)


def _pointed(case: _Case, feature: _Feature, name: str) -> Finding:
    edge = case.edges
    chain = feature.chain
    length_mm, wedge_deg = float(edge.length_mm[chain].sum()), float(edge.wedge_deg[chain].min())
    radius_mm = float(edge.radius_mm[chain].max())
    ends = ""
    if feature.tips:
        ends = f" {_counted(len(feature.tips), 'end', 'ends')} of it may also count as a sharp point."
    flare = " It reaches the plate, where the first layers bulge out and sharpen it." if _low(case, feature) else ""
    return finding(
        case.workpiece,
        CODE,
        DOMAIN,
        name,
        feature.verdict,
        f"The edge {_where(case, feature)} is pointed: {wedge_deg:.0f}° of matter, "
        f"{_radius_words(radius_mm)}, over {mm_words(length_mm)}, where a fingertip reaches it.{ends}{flare} {_SCREEN}",
        f"Round it by {mm_words(case.radius.value)} or more, or cut it off to a face at least "
        f"{mm_words(2 * case.radius.value)} wide.",
        severity=Severity.INJURY,
        measurements=(
            Measurement("angle of the edge", wedge_deg, "deg", 0.0, _BY_FACETS),
            Measurement("radius of the edge", radius_mm, "mm", 0.0, _BY_FACETS),
            Measurement("length of the edge", length_mm, "mm", 0.0, _BY_FACETS),
        ),
        limits=(
            *(
                case.limits.value(f"edges.{row}", case.workpiece.setup)
                for row in ("acute", "sharp_radius", "acute_length")
            ),
            case.radius,
            *(_tip_limits(case) if feature.tips else ()),
        ),
        where=(_place(case, feature),),
        figures=("edge_section",),
        evidence=_section(case, feature),
        guess=case.guess,
    )


def _point(case: _Case, feature: _Feature, name: str) -> Finding:
    short_mm, long_mm = feature.tips[0].size_mm
    depth_mm = case.value("tip_depth")
    many = f"{len(feature.tips)} points" if len(feature.tips) > 1 else "point"
    rule = "" if case.child else " The rule is for children under 8 years; here it counts because a hand holds it."
    return finding(
        case.workpiece,
        CODE,
        DOMAIN,
        name,
        feature.verdict,
        f"The {many} {_where(case, feature)} may count as a sharp point: its surface {depth_mm:g} mm under the tip "
        f"measures {short_mm:.2f} x {long_mm:.2f} mm, which goes into the slot of the tester.{rule} {_SCREEN}",
        f"Round the tip by {mm_words(case.radius.value)} or more (over {_tip_radius(case):.2g} mm it stays out of the "
        f"slot), or make it wider than {case.value('slot_long'):g} mm both ways.",
        severity=Severity.INJURY,
        measurements=(
            Measurement("tip, shorter side", short_mm, "mm", 0.0, f"surface within {depth_mm:g} mm of the tip"),
            Measurement("tip, longer side", long_mm, "mm", 0.0, f"surface within {depth_mm:g} mm of the tip"),
        ),
        limits=tuple(_tip_limits(case)),
        where=(_place(case, feature),),
        figures=("edge_section",),
        evidence=_section(case, feature),
        guess=case.guess,
    )


def _rim(case: _Case, region: Region, length_mm: float) -> Finding:
    """Square edges of an opening that fingers go into."""
    chosen = case.square & case.inside(region)
    radius = mm_words(case.radius.value)
    chain = np.flatnonzero(chosen)
    return finding(
        case.workpiece,
        CODE,
        DOMAIN,
        region.name,
        Verdict.MARGINAL,
        f"Fingers go into {region.name}, and {mm_words(length_mm)} of its edges are square with a radius under "
        f"{radius}. {_SCREEN}",
        f"Round the edges of {region.name} by {radius} or more, on the plate by a chamfer of {radius} instead.",
        severity=Severity.FUNCTION,
        measurements=(Measurement("length of square edges", length_mm, "mm", 0.0, _BY_FACETS),),
        limits=(case.radius, *(case.limits.value(f"edges.{n}", case.workpiece.setup) for n in ("wedge", "length"))),
        where=(_edge_place(case, chain),),
        guess=case.guess,
    )


def _tip_radius(case: _Case) -> float:
    """Least radius of a round tip that does not reach the tester's head [mm]."""
    # Width of a sphere's cap of depth h: 2 sqrt(2 R h - h2).
    depth_mm, slot_mm = case.value("tip_depth"), case.value("slot_short")
    return (slot_mm**2 / 4 + depth_mm**2) / (2 * depth_mm)


def _tip_limits(case: _Case) -> list[Limit]:
    names = ("slot_short", "slot_long", "tip_depth", "child_age")
    return [case.limits.value(f"edges.{name}", case.workpiece.setup) for name in names]


def _radius_words(radius_mm: float) -> str:
    return "without radius" if radius_mm < _NO_RADIUS_MM else f"with a radius of {mm_words(radius_mm)}"


def _where(case: _Case, feature: _Feature) -> str:
    """Where a feature is, in words: its coordinates, and the region where hands go."""
    x, y, z = (round(float(value)) for value in case.workpiece.to_part(feature.middle[None])[0])
    return f"at x {x}, y {y}, z {z} mm" + (f" in {feature.region}, where hands go," if feature.region else "")


def _low(case: _Case, feature: _Feature) -> bool:
    return float(feature.box[0][2]) < case.workpiece.setup.first_layer_mm / 2


def _counted(number: int, one: str, many: str) -> str:
    return "" if not number else f"{'One' if number == 1 else number} {one if number == 1 else many}"


def _place(case: _Case, feature: _Feature) -> Place:
    return Place(
        vector(case.workpiece.to_part(feature.middle[None])[0]),
        vector(case.workpiece.to_part_direction(feature.outward[None])[0]),
        _box(case, *feature.box),
        "faces",
    )


def _edge_place(case: _Case, chain: Ints) -> Place:
    """Place on a chain of edges."""
    edge = case.edges
    middle = edge.middle_of(chain)
    nearest = chain[np.argmin(np.linalg.norm(edge.middle[chain] - middle, axis=1))]
    ends = np.vstack([edge.start[chain], edge.end[chain]])
    return Place(
        vector(case.workpiece.to_part(middle[None])[0]),
        vector(case.workpiece.to_part_direction(edge.outward[nearest][None])[0]),
        _box(case, ends.min(axis=0), ends.max(axis=0)),
    )


def _box(case: _Case, low: Floats, high: Floats) -> tuple[Vector, Vector]:
    """A box of the plate frame, in the part's frame."""
    own = case.workpiece.to_part(np.array(list(product(*zip(low, high, strict=True)))))
    return vector(own.min(axis=0)), vector(own.max(axis=0))


# --- what the figures draw ---------------------------------------------------------------------


def _map(case: _Case, features: list[_Feature]) -> dict[str, NDArray[np.generic]]:
    """Ends of all edges of too little radius with their kind, and the points."""
    index = np.flatnonzero(case.unmet)
    length = np.linalg.norm(case.edges.end[index] - case.edges.start[index], axis=1)
    index = np.sort(index[np.argsort(-length, kind="stable")[:_DRAWN_EDGES]])
    kind = np.where(case.felt, _SQUARE, _HIDDEN)
    for feature in features:
        kind[feature.chain] = _POINTED
    points = [tip.point for feature in features for tip in feature.tips]
    return {
        "edge_start": case.edges.start[index].astype(np.float32),
        "edge_end": case.edges.end[index].astype(np.float32),
        "edge_kind": kind[index].astype(np.int8),
        "point_at": np.array(points, dtype=np.float32).reshape(-1, 3),
        "radius_mm": np.array([case.radius.value]),
    }


def _section(case: _Case, feature: _Feature) -> dict[str, NDArray[np.generic]]:
    """The part cut square to the edge, its outward direction upwards."""
    normal = feature.along
    up = feature.outward - (feature.outward @ normal) * normal
    up /= np.linalg.norm(up)
    vertices, faces = case.workpiece.vertices, case.workpiece.faces
    corner = vertices[faces] - feature.middle
    # A plane a hair off a corner cuts clean.
    cut = plane_section(vertices, _near(faces, corner @ normal), feature.middle + 1e-4 * normal, normal, up)
    window = shapely.box(-_DRAWN_MM, -2 * _DRAWN_MM, _DRAWN_MM, _DRAWN_MM / 2)
    cut = shapely.intersection(shapely.make_valid(cut), window)
    return {
        "faces": feature.faces,
        "outline": ring_points(cut) if cut.area > 0 else np.empty((0, 2)),
        "radius_mm": np.array([case.radius.value]),
        "slot_mm": np.array([case.value("slot_short"), case.value("tip_depth")] if not len(feature.chain) else []),
        "wedge_deg": case.edges.wedge_deg[feature.chain].min(keepdims=True, initial=180.0),
    }


def _near(faces: Ints, height: Floats) -> Ints:
    """Facets that a plane cuts."""
    cut: Ints = faces[(height.min(axis=1) <= 1e-3) & (height.max(axis=1) >= -1e-3)]
    return cut
