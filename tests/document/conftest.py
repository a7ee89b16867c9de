"""An invented review with everything that a document must show, kind and hostile."""

import io
from dataclasses import replace

import numpy as np
import pytest
from corpus import HOSTILE
from matplotlib.image import imsave

from reviewkit.model import (
    Action,
    Drawing,
    Fact,
    Finding,
    Limit,
    Machine,
    Material,
    Measurement,
    Origin,
    Outcome,
    PartFacts,
    Picture,
    Place,
    Review,
    Sense,
    Setup,
    Severity,
    Source,
    Status,
    Verdict,
    finding_key,
)

EXPERIENCE = Source("", Status.PRACTICE)
CARVER = Source("W. B. Carver, Amer. Math. Monthly 64", Status.MEMORY, year="1957")
SEEN = Source(
    "Rectangles in Rectangles, Mathematics Magazine 73(3)",
    Status.SEEN,
    clause="pp. 204-211",
    year="2000",
    address="doi.org/10.2307/2691523",
)

MARGIN = Limit("plate-margin", "margin to the plate edge", 5.0, "mm", Sense.MIN, EXPERIENCE, condition="after any brim")
FIT = Limit("plate-fit", "largest scale that fits", 1.0, "-", Sense.MIN, SEEN)
FIT_ANY = Limit("plate-fit-turned", "largest scale at any angle", 1.0, "-", Sense.MIN, CARVER)
WALL = Limit("wall-two-lines", "wall.thickness", 0.8, "mm", Sense.MIN, EXPERIENCE, stated="2 line widths")
WALL_FAILS = Limit("wall-one-line", "wall.thickness", 0.4, "mm", Sense.MIN, EXPERIENCE, stated="1 line width")
LINES = Limit("wall-whole-lines", "distance from a whole number of lines", 0.1, "mm", Sense.MAX, CARVER)
QUOTIENT = Limit("first-layer-quotient", "isoperimetric quotient", 0.3, "-", Sense.MIN, EXPERIENCE)
ISLANDS = Limit("first-layer-islands", "islands in the first layer", 3, "-", Sense.MAX, EXPERIENCE)

MACHINE = Machine("press-240", "Press 240", (240.0, 240.0), 220.0, 3.0, 0.4, 0.2, 0.2, "invented for the demo")
MATERIAL = Material("petg", "PETG", {})
LYING = ((1.0, 0.0, 0.0), (0.0, 0.0, -1.0), (0.0, 1.0, 0.0))
SETUP = Setup(MACHINE, MATERIAL, 0.2, 0.4, 0.2, LYING, Origin.SUGGESTED, "least overhang of four stable poses")


def finding(code, part, subject, verdict, message, **more):
    more.setdefault("domain", "intake" if code.startswith("IN") else "printability")
    more.setdefault("severity", Severity.YIELD)
    return Finding(key=finding_key(code, part, subject), code=code, part=part, subject=subject, verdict=verdict,
                   message=message, **more)  # fmt: skip


def wall(number, thickness_mm, verdict):
    point_mm = (12.0 + 5 * number, -8.25, 6.5)
    return finding(
        "PR-04", "launcher", f"leaf {number}", verdict,
        f"Leaf {number} is {thickness_mm:.2f} mm thick where two lines need 0.80 mm, so it may print with a hole.",
        change="Thicken the leaf to 0.84 mm, or make it exactly one line of 0.42 mm on purpose.",
        measurements=(Measurement("wall thickness", thickness_mm, "mm", 0.031, "rays across the wall, 840 places"),
                      Measurement("share of wall area under the limit", 0.118, "-", 0.02)),
        limits=(WALL, WALL_FAILS),
        where=(Place(point_mm), Place((point_mm[0], 8.25, 6.5))),
        severity=Severity.FUNCTION,
    )  # fmt: skip


FINDINGS = (
    finding("IN-01", "launcher", "part", Verdict.MEETS, "The mesh is closed and its facets agree on what is inside.",
            measurements=(Measurement("open edges", 0, "-"),)),
    finding("IN-01", "float", "part", Verdict.MARGINAL,
            "Eleven doubled facets were taken out; the solid is the same with and without them.",
            measurements=(Measurement("doubled facets", 11, "-"),)),
    finding("IN-02", "launcher", "part", Verdict.MARGINAL,
            "The file does not say its units. Read as inches the part is 254 mm long, read as millimetres 10 mm.",
            change="Confirm that the drawing is in inches.", guess="inches, from the size", severity=Severity.FUNCTION),
    finding("IN-02", "float", "part", Verdict.MEETS, "The file says millimetres."),
    finding("IN-03", "launcher", "part", Verdict.MEETS, "One body, as declared.",
            measurements=(Measurement("bodies", 1, "-"),)),
    finding("PR-01", "launcher", "part", Verdict.FAILS,
            "The part is 254 mm long and 96 mm wide; it does not fit on the 240 mm plate at any angle.",
            change="Scale to 93 %, or shorten the barrel by 18 mm: then it fits at 45 degrees with 5 mm to spare.",
            measurements=(Measurement("largest scale at any angle", 0.9312, "-", 0.0004, "all angles in steps of 0.25"),
                          Measurement("margin to the plate edge", -7.85, "mm", 0.02)),
            limits=(FIT, FIT_ANY, MARGIN), where=(Place((127.0, 0.0, 0.0)),), severity=Severity.FUNCTION,
            figures=("plate",)),
    finding("PR-01", "float", "part", Verdict.MEETS, "Fits at any angle with 98 mm to spare.",
            measurements=(Measurement("margin to the plate edge", 98.2, "mm", 0.02),), limits=(MARGIN,)),
    finding("PR-03", "launcher", "first layer", Verdict.FAILS,
            "The first layer is five separate islands with long thin outlines; islands that small come off the plate.",
            change="Close the underside with a 0.6 mm base plate under a gap of one layer, broken away afterwards.",
            measurements=(Measurement("islands in the first layer", 5, "-"),
                          Measurement("isoperimetric quotient", 0.083, "-", 0.004),
                          Measurement("smallest island", 14.26, "mm2", 0.31)),
            limits=(ISLANDS, QUOTIENT), where=(Place((30.0, 0.0, 0.0)), Place((44.0, 2.0, 0.0)),
            Place((58.0, 0.0, 0.0)), Place((72.0, 2.0, 0.0)), Place((86.0, 0.0, 0.0))), figures=("islands",)),
    finding("PR-03", "float", "first layer", Verdict.MEETS, "One round patch; nothing holds better.",
            measurements=(Measurement("isoperimetric quotient", 0.962, "-", 0.004),), limits=(QUOTIENT,)),
    wall(1, 0.312, Verdict.FAILS),
    wall(2, 0.341, Verdict.FAILS),
    *(wall(number, 0.5 + 0.02 * number, Verdict.MARGINAL) for number in range(3, 10)),
    finding("PR-04", "float", "tail", Verdict.MARGINAL,
            "The tail wall is 1.02 mm, which is two and a half lines: the half line is left out or squeezed in.",
            change="Make it 0.80 or 1.20 mm.",
            measurements=(Measurement("distance from a whole number of lines", 0.18, "mm", 0.03),), limits=(LINES,),
            severity=Severity.LOOKS),
    finding("PR-04", "launcher", "grip", Verdict.NOT_CHECKED,
            "The mesh is open around the grip, so no thickness can be measured there.",
            change="Send the grip as a closed solid.", severity=Severity.INJURY),
    finding("PR-12", "launcher", "requirement fit-2", Verdict.NOT_CHECKED,
            "No check of this kit covers a requirement on skin contact.",
            change="Name the standard and who tests against it.", severity=Severity.INJURY),
)  # fmt: skip


def svg(width, height, words):
    """A small figure of greys, made by hand."""
    tall = [12 * (i % 7) + 6 for i in range((width - 40) // 40)]
    bars = "".join(
        f'<rect x="{20 + 40 * i}" y="{height - 24 - bar}" width="26" height="{bar}" fill="#7c8894"/>'
        for i, bar in enumerate(tall)
    )
    return (
        f'<svg xmlns="http://www.w3.org/2000/svg" width="{width}" height="{height}" viewBox="0 0 {width} {height}">'
        f'<rect width="{width}" height="{height}" fill="#fff"/>{bars}'
        f'<path d="M20 {height - 24}H{width - 20}M20 {height // 2}h{width - 40}" stroke="#1d2630" fill="none"/>'
        f'<text x="20" y="24" font-size="15" font-family="sans-serif">{words}</text></svg>'
    ).encode()


def shaded(width_px, height_px, seed):
    """A lit ellipsoid on white, as a picture of a part would be."""
    y, x = np.mgrid[-1 : 1 : height_px * 1j, -1.3 : 1.3 : width_px * 1j]
    z2 = 1 - (x / (1.0 + 0.1 * seed)) ** 2 - (y / 0.55) ** 2
    light = np.clip(0.35 + 0.5 * np.sqrt(np.clip(z2, 0, 1)) - 0.2 * y - 0.1 * x, 0, 1)
    grey = np.where(z2 > 0, 255 * light, 255).astype(np.uint8)
    return np.repeat(grey[:, :, None], 3, axis=2)


def png(rgb):
    file = io.BytesIO()
    imsave(file, rgb, format="png")
    return file.getvalue()


def part_facts(id, number, name, **more):
    made = PartFacts(
        id=id, number=number, revision="A", name=name, file=f"{id}.stl", sha256=(id * 64).encode().hex()[:64], count=1,
        units="in", units_origin=Origin.SUGGESTED, units_note="a part of 10 x 3.78 x 1.4 is probably in inches",
        triangles=48_212, bodies=1, size_mm=(254.0, 96.012, 35.56), volume_mm3=91_234.5, setup=SETUP,
    )  # fmt: skip
    return replace(made, **more)


@pytest.fixture(scope="session")
def fake_review() -> Review:
    """Two parts, failing, marginal, met and unchecked findings, sources of all three kinds."""
    marks = tuple((str(i + 1), 90.0 + 60 * (i % 9), 130.0 + 25 * (i % 4)) for i, f in enumerate(FINDINGS) if f.where)
    return Review(
        setup=SETUP,
        submission={
            "number": "WP-2041", "revision": "A", "name": "Tidal water-play launcher", "customer": "Harbour & Pebble",
            "quantity": 10_000, "stage": "pilot", "display_units": "in", "due": "2027-03-01",
        },
        parts=(
            part_facts("launcher", "WP-2041-1", "Launcher"),
            part_facts("float", "WP-2041-2", "Floating dart", units="mm", units_origin=Origin.CONFIRMED, units_note="",
                       size_mm=(44.0, 44.0, 61.5), volume_mm3=15_210.0, triangles=6_020),
        ),
        facts=(
            Fact("quantity", "10000", Origin.CONFIRMED),
            Fact("material", "PETG", Origin.SUGGESTED, "the machine's usual material"),
            Fact("youngest user", "36 months", Origin.CONFIRMED),
            Fact("markets", "", Origin.ASSUMED, "decides which law applies"),
            Fact("cycles", "5000", Origin.ASSUMED),
        ),
        findings=FINDINGS,
        actions=(
            Action(2, "PR-03:launcher:first layer", "Add a base plate under a break-away gap.", "Harbour & Pebble",
                   "2027-01-20", "yield of the first layer from 81 % to 97 %; 40 s longer a part"),
            Action(1, "PR-01:launcher:part", "Shorten the barrel by 18 mm.", "", "",
                   "fits the standard machine: 118 printers instead of 40 large ones"),
            Action(3, "PR-04:launcher:leaf 1", "Thicken leaves 1 and 2 to 0.84 mm."),
        ),
        pictures=(
            Picture("launcher-above", "launcher", "Launcher from above and the front",
                    "Shaded picture of the launcher, lying, seen from above; nine leaves along the barrel are marked.",
                    shaded(720, 420, 0), 0.4, marks),
            Picture("launcher-below", "launcher", "Launcher from below", "Shaded picture of the launcher from below.",
                    shaded(720, 420, 2), 0.4),
            Picture("float-side", "float", "Floating dart from the side", "Shaded picture of the floating dart.",
                    shaded(720, 420, 1), 0.1),
        ),
        outcome_suggested=Outcome.CHANGES,
        outcome_reason="Four findings fail: the launcher does not fit the plate, its first layer does not hold and two "
        "leaves are thinner than one line.",
        kit_version="0.1.0",
        limits_sha256="0123456789abcdef" * 4,
    )  # fmt: skip


@pytest.fixture(scope="session")
def fake_drawings(fake_review: Review) -> tuple[Drawing, ...]:
    return (
        *(Drawing(p.name, p.finding, p.title, "", p.alt, None, png(p.rgb), p.rgb.shape[1], p.rgb.shape[0])
          for p in fake_review.pictures),
        Drawing("plate", "PR-01:launcher:part", "The part on the plate", "Outline at its best angle, 45 degrees.",
                "Outline of the part on the square plate at 45 degrees; both ends stick out by 7.9 mm.",
                svg(420, 400, "plate 240 mm"), None, 420, 400),
        Drawing("islands", "PR-03:launcher:first layer", "The first layer", "Five islands, the smallest hatched.",
                "First layer of five islands in a row; the smallest is 14 square millimetres.",
                svg(640, 240, "first layer"), None, 640, 240),
        Drawing("leaf-1", "PR-04:launcher:leaf 1", "Thickness along leaf 1", "The line is the limit of one line width.",
                "Thickness along leaf 1 in mm: between 0.29 and 0.35, everywhere under the limit of 0.4.",
                svg(640, 240, "thickness"), None, 640, 240),
    )  # fmt: skip


@pytest.fixture(scope="session")
def empty_review(fake_review: Review) -> Review:
    """Nothing fails, nothing is marked, one part, all facts confirmed."""
    part = replace(fake_review.parts[1], setup=replace(SETUP, pose_origin=Origin.CONFIRMED))
    return replace(
        fake_review,
        parts=(part,),
        facts=(Fact("quantity", "10000", Origin.CONFIRMED),),
        findings=tuple(f for f in FINDINGS if f.part == "float" and f.verdict is Verdict.MEETS),
        actions=(),
        pictures=(),
        outcome_suggested=Outcome.RELEASE,
        outcome_reason="",
    )


@pytest.fixture(scope="session")
def hostile_review(fake_review: Review) -> Review:
    """Every text that a customer can write is hostile, long or strange."""
    words = "Q" * 120
    texts = [text or words for text in HOSTILE]

    def text(number):
        return texts[number % len(texts)]

    return replace(
        fake_review,
        submission={key: words if key in ("number", "revision", "stage") else text(i)
                    for i, key in enumerate(fake_review.submission)} | {"name": HOSTILE[0] + words},
        parts=tuple(replace(p, name=text(2 * i), number=words, revision=words, file=text(2 * i + 1), units_note=words,
                            units_origin=Origin.ASSUMED) for i, p in enumerate(fake_review.parts)),
        facts=tuple(Fact(text(i), text(i + 1), Origin.ASSUMED, text(i + 2)) for i in range(len(HOSTILE))),
        findings=tuple(replace(f, subject=text(i), message=text(i + 1) * 6, change=text(i + 2) * 6, guess=text(i))
                       for i, f in enumerate(fake_review.findings)),
        actions=tuple(Action(a.priority, a.finding, text(i), text(i + 1), text(i + 2), text(i + 3) * 3)
                      for i, a in enumerate(fake_review.actions)),
        pictures=tuple(replace(p, title=text(i), alt=text(i + 1), part=text(i))
                       for i, p in enumerate(fake_review.pictures)),
        outcome_reason=" ".join(texts)[:900],
    )  # fmt: skip


@pytest.fixture(scope="session")
def longest_review(fake_review: Review) -> Review:
    """Every field at its longest and more of everything than a first page can hold."""
    words = "A WORDY SENTENCE IN WIDE LETTERS THAT A CUSTOMER OR A CHECK MIGHT WRITE ABOUT SOME PART. " * 8
    return replace(
        fake_review,
        submission=dict.fromkeys(fake_review.submission, words) | {"display_units": "in"},
        parts=tuple(part_facts(f"{i} {words}", words, words, setup=replace(SETUP, machine=replace(MACHINE, name=words)))
                    for i in range(6)),
        facts=tuple(Fact(f"{i} {words}", "" if i % 2 else words, Origin.ASSUMED, words) for i in range(14)),
        findings=tuple(replace(f, message=words, change=words, code=f"{f.code}-{i}", subject=words,
                               verdict=Verdict.FAILS if i % 2 else Verdict.NOT_CHECKED)
                       for i, f in enumerate(FINDINGS)),
        actions=tuple(Action(1, f.key, words, words, words, words) for f in FINDINGS),
        outcome_reason=words,
    )  # fmt: skip
