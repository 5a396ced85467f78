"""The only colours, and how they are judged: contrast, colour-deficient vision, grey print.

The series colours were found by ``benchmarks/choose_palette.py``, which states and checks the
criteria; a test repeats the checks.

References
----------
WCAG 2.2, definitions of relative luminance and contrast ratio. Machado, Oliveira, Fernandes 2009,
IEEE Trans Vis Comput Graph 15:1291 (simulation at full severity, in linear RGB). Ottosson 2020,
"A perceptual color space for image processing" (OKLab).
"""

from __future__ import annotations

INK = "#1b2126"
QUIET_INK = "#525c66"
RULE = "#c3cad0"
PANEL = "#f3f5f6"
OTHERS = "#aab2b9"
PAPER = "#ffffff"
WARNING = "#8a4b00"
SERIES = ("#114477", "#aa6600", "#660033", "#7755aa", "#993322")
DASHES: tuple[tuple[float, ...], ...] = (
    (),
    (5.0, 2.0),
    (1.4, 1.6),
    (6.5, 1.8, 1.4, 1.8),
    (3.0, 1.2),
)
MARKERS = ("o", "s", "^", "D", "v")
VISIONS: dict[str, tuple[tuple[float, float, float], ...]] = {
    "normal": ((1.0, 0.0, 0.0), (0.0, 1.0, 0.0), (0.0, 0.0, 1.0)),
    "protan": (
        (0.152286, 1.052583, -0.204868),
        (0.114503, 0.786281, 0.099216),
        (-0.003882, -0.048116, 1.051998),
    ),
    "deutan": (
        (0.367322, 0.860646, -0.227968),
        (0.280085, 0.672501, 0.047413),
        (-0.011820, 0.042940, 0.968881),
    ),
    "tritan": (
        (1.255528, -0.076749, -0.178779),
        (-0.078411, 0.930809, 0.147602),
        (0.004733, 0.691367, 0.303900),
    ),
}
_TO_CONE = (
    (0.4122214708, 0.5363325363, 0.0514459929),
    (0.2119034982, 0.6806995451, 0.1073969566),
    (0.0883024619, 0.2817188376, 0.6299787005),
)
_TO_LAB = (
    (0.2104542553, 0.7936177850, -0.0040720468),
    (1.9779984951, -2.4285922050, 0.4505937099),
    (0.0259040371, 0.7827717662, -0.8086757660),
)
Triple = tuple[float, float, float]


def _times(matrix: tuple[tuple[float, float, float], ...], vector: Triple) -> Triple:
    a, b, c = (sum(m * v for m, v in zip(row, vector, strict=True)) for row in matrix)
    return a, b, c


def linear_rgb(colour: str) -> Triple:
    """``#rrggbb`` as linear-light RGB, 0 to 1.

    >>> linear_rgb("#ff0000")
    (1.0, 0.0, 0.0)
    """
    red, green, blue = (int(colour[i : i + 2], 16) / 255 for i in (1, 3, 5))
    return _linear(red), _linear(green), _linear(blue)


def _linear(channel: float) -> float:
    return channel / 12.92 if channel <= 0.04045 else ((channel + 0.055) / 1.055) ** 2.4


def luminance(colour: str) -> float:
    """Relative luminance, 0 black to 1 white (WCAG 2.2)."""
    red, green, blue = linear_rgb(colour)
    return 0.2126 * red + 0.7152 * green + 0.0722 * blue


def contrast(one: str, other: str = PAPER) -> float:
    """Contrast ratio, 1 to 21 (WCAG 2.2).

    >>> contrast("#000000")
    21.0
    """
    low, high = sorted((luminance(one), luminance(other)))
    return (high + 0.05) / (low + 0.05)


def seen_as(colour: str, vision: str) -> Triple:
    """OKLab coordinates of a colour as seen with a vision ("normal", "protan", ...)."""
    light = _times(VISIONS[vision], linear_rgb(colour))
    clipped = tuple(min(1.0, max(0.0, part)) for part in light)
    cones = _times(_TO_CONE, (clipped[0], clipped[1], clipped[2]))
    roots = tuple(part ** (1 / 3) for part in cones)
    return _times(_TO_LAB, (roots[0], roots[1], roots[2]))


def difference(one: str, other: str, vision: str = "normal") -> float:
    """Distance in OKLab: about 0.02 is just noticeable side by side, 1 is black to white."""
    pairs = zip(seen_as(one, vision), seen_as(other, vision), strict=True)
    return float(sum((a - b) ** 2 for a, b in pairs) ** 0.5)


def grey_lightness(colour: str) -> float:
    """CIE L* of the colour printed in grey, 0 to 100.

    >>> round(grey_lightness("#777777"), 1)
    50.0
    """
    y = luminance(colour)
    return 116 * y ** (1 / 3) - 16 if y > 216 / 24389 else y * 24389 / 27


def blended(colour: str, share: float) -> str:
    """A colour at a share (0 to 1) over white paper, as an opaque colour.

    >>> blended("#000000", 0.5)
    '#808080'
    """
    parts = (int(colour[i : i + 2], 16) for i in (1, 3, 5))
    return "#" + "".join(f"{round(255 + (part - 255) * share):02x}" for part in parts)
