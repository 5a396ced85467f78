"""Make the bundled fonts: a renamed subset of an OFL sans with tabular figures as the default.

Source: the OpenType files of Debian's ``fonts-inter`` package (SIL Open Font License 1.1, no
reserved font name declared; renamed all the same). Kept: Latin with its extensions, Greek,
Cyrillic, mathematical and typographic signs. Changed: every digit has one width, contextual
alternates (which would redraw ``3x4`` and ``->``) are dropped, names are ours.

Run ``python reports/fonts/make_subset.py /usr/share/fonts/opentype/inter`` from the project root.
Written beside this file: ``afterplaque-sans-{regular,semibold}.otf`` and ``.woff``.
"""

from __future__ import annotations

import sys
from pathlib import Path

from fontTools import subset
from fontTools.ttLib import TTFont

FAMILY = "Afterplaque Sans"
STYLES = {"Regular": ("Inter-Regular.otf", 400), "SemiBold": ("Inter-SemiBold.otf", 600)}
RANGES = (
    (0x20, 0x7E),
    (0xA0, 0x24F),
    (0x300, 0x36F),
    (0x370, 0x3FF),
    (0x400, 0x4FF),
    (0x1E00, 0x1EFF),
    (0x2000, 0x205E),
    (0x2070, 0x209C),
    (0x20AC, 0x20AC),
    (0x2116, 0x2122),
    (0x2190, 0x21FF),
    (0x2200, 0x22FF),
    (0x25A0, 0x25FF),
    (0x2605, 0x2606),
    (0x2713, 0x2717),
)
FEATURES = ["kern", "mark", "mkmk", "ccmp", "locl"]
NAME_COPYRIGHT = 0
NAME_LICENCE = 13


def tabular_digits(font: TTFont) -> dict[str, str]:
    """Glyph name of each default digit → the one of equal width (the ``tnum`` feature)."""
    table = font["GSUB"].table
    lookups = {
        index
        for record in table.FeatureList.FeatureRecord
        if record.FeatureTag == "tnum"
        for index in record.Feature.LookupListIndex
    }
    mapping: dict[str, str] = {}
    for index in sorted(lookups):
        for part in table.LookupList.Lookup[index].SubTable:
            mapping.update(getattr(getattr(part, "ExtSubTable", part), "mapping", {}))
    return mapping


def make_digits_tabular(font: TTFont) -> None:
    """Point the character map of the ten digits at the glyphs of equal width."""
    mapping = tabular_digits(font)
    for table in font["cmap"].tables:
        for code in range(ord("0"), ord("9") + 1):
            if code in table.cmap:
                table.cmap[code] = mapping.get(table.cmap[code], table.cmap[code])


def rename(font: TTFont, style: str, weight: int) -> None:
    """Give the font our family name; keep the copyright line and the licence."""
    names = font["name"]
    names.names = [n for n in names.names if n.nameID in (NAME_COPYRIGHT, NAME_LICENCE)]
    postscript = FAMILY.replace(" ", "") + "-" + style
    plain = style == "Regular"
    entries = {
        1: FAMILY if plain else f"{FAMILY} {style}",
        2: "Regular",
        3: f"{postscript};afterplaque",
        4: f"{FAMILY} {style}",
        5: "Version 1.000",
        6: postscript,
        14: "SIL Open Font License 1.1",
    }
    if not plain:
        entries |= {16: FAMILY, 17: style}
    for name_id, text in entries.items():
        names.setName(text, name_id, 3, 1, 0x409)
    font["OS/2"].usWeightClass = weight
    if "CFF " in font:
        top = font["CFF "].cff
        top.fontNames = [postscript]
        dictionary = top.topDictIndex[0]
        dictionary.FullName, dictionary.FamilyName = f"{FAMILY} {style}", FAMILY
        dictionary.Weight = style


def make_one(source: Path, target: Path, style: str, weight: int) -> None:
    """Subset, rename and write one weight as OpenType and as WOFF."""
    font = TTFont(source, recalcTimestamp=False)
    make_digits_tabular(font)
    options = subset.Options()
    options.layout_features = FEATURES
    options.name_IDs = ["*"]
    options.hinting = False
    options.drop_tables += ["DSIG", "meta"]
    chooser = subset.Subsetter(options)
    chooser.populate(unicodes=[c for low, high in RANGES for c in range(low, high + 1)])
    chooser.subset(font)
    rename(font, style, weight)
    font.save(target.with_suffix(".otf"))
    font.flavor = "woff"
    font.save(target.with_suffix(".woff"))


def main(source_folder: str) -> None:
    """Make every weight from the folder that holds the package's files."""
    here = Path(__file__).parent
    for style, (file_name, weight) in STYLES.items():
        target = here / f"afterplaque-sans-{style.lower()}"
        make_one(Path(source_folder) / file_name, target, style, weight)


if __name__ == "__main__":
    main(sys.argv[1])
