"""An open hand drawn to scale, to judge a part's size beside it."""

import numpy as np
import shapely

from reviewkit.errors import ReviewError
from reviewkit.hands import Hands, group
from reviewkit.model import Floats

USUAL = "adults"

# How our hand is drawn where no size of it is known, as shares of its length or breadth; they judge nothing.
_PALM_SHARE, _FINGER_SHARE, _THUMB_SHARE = 0.6, 0.235, 0.25
# Of each finger from the thumb's side: how far its tip stays below the longest and its knuckle below the middle
# one's [share of the hand's length], and how it leans [deg].
_FINGERS = ((0.055, 0.0, -6.0), (0.0, 0.0, -1.5), (0.045, 0.01, 3.0), (0.175, 0.05, 9.0))


def hand_of(name: str) -> Hands:
    """The hands of a group of people, of adults where the group is not in the table."""
    try:
        hands = group(name)
    except ReviewError:
        return group(USUAL)
    return hands if "hand_length" in hands and "hand_breadth" in hands else group(USUAL)


def hand_words(hands: Hands) -> str:
    """What the outline shows, such as ``mean hand of adults, 187 mm long``."""
    told = f"mean hand of {hands.words}, {hands.mean_mm('hand_length'):.0f} mm long"
    return told + (" (an estimate)" if hands.estimate else "")


def hand_outline(hands: Hands) -> Floats:
    """Outline of the palm of a left hand of mean size, wrist at y = 0 and fingers up.

    Parameters
    ----------
    hands : Hands
        With at least the length and the breadth of the hand.

    Returns
    -------
    (n, 2) float
        Closed outline; its height is the hand's length, its width below the fingers the hand's breadth [mm].
    """
    length, breadth = hands.mean_mm("hand_length"), hands.mean_mm("hand_breadth")
    palm = _known(hands, "palm_length", _PALM_SHARE * length)
    wide = _known(hands, "index_breadth_middle_joint", _FINGER_SHARE * breadth)
    thumb = _known(hands, "thumb_breadth", _THUMB_SHARE * breadth)
    half = breadth / 2
    pieces = [
        shapely.Polygon(
            [(-0.66 * half, 0), (0.66 * half, 0), (half, 0.45 * palm), (half, 0.95 * palm), (0.8 * half, palm),
             (-0.8 * half, palm), (-half, 0.95 * palm), (-half, 0.45 * palm)]
        ),
        _bar((-0.45 * half, 0.2 * palm), (-1.55 * half, 0.72 * palm - thumb / 2), thumb),
    ]  # fmt: skip
    for place, (short, low, lean_deg) in enumerate(_FINGERS):
        x = (place - 1.5) * (breadth - wide) / 3
        base, tip = palm - (low + 0.05) * length, length * (1 - short) - wide / 2
        pieces.append(_bar((x, base), (x + (tip - base) * np.tan(np.radians(lean_deg)), tip), wide))
    joined = shapely.union_all(pieces)
    web, corner = 0.015 * breadth, 0.4 * wide
    # Closing rounds the webs, opening the corners but no fingertip: length and breadth stay.
    return np.array(joined.buffer(web).buffer(-web - corner).buffer(corner).exterior.coords)


def _known(hands: Hands, dimension: str, otherwise_mm: float) -> float:
    return hands.mean_mm(dimension) if dimension in hands else otherwise_mm


def _bar(start: tuple[float, float], end: tuple[float, float], width_mm: float) -> shapely.Geometry:
    return shapely.LineString([start, end]).buffer(width_mm / 2)
