"""The fixed parts of a Word document: content types, styles, lists, footer, properties.

Office Open XML as in ECMA-376, part 1; the elements of a style, a paragraph or a table come in the
order that its schema wants.
"""

from __future__ import annotations

from xml.sax.saxutils import escape

from reports.figures import palette

WORD = "http://schemas.openxmlformats.org/wordprocessingml/2006/main"
RELATIONS = "http://schemas.openxmlformats.org/officeDocument/2006/relationships"
_PACKAGE = "http://schemas.openxmlformats.org/package/2006"
_HEAD = '<?xml version="1.0" encoding="UTF-8" standalone="yes"?>\n'
_FONT = "Calibri"

CONTENT_TYPES = (
    f'{_HEAD}<Types xmlns="{_PACKAGE}/content-types">'
    '<Default Extension="rels" '
    'ContentType="application/vnd.openxmlformats-package.relationships+xml"/>'
    '<Default Extension="xml" ContentType="application/xml"/>'
    '<Default Extension="png" ContentType="image/png"/>'
    + "".join(
        f'<Override PartName="/{part}" ContentType="application/vnd.openxmlformats-{kind}+xml"/>'
        for part, kind in (
            ("word/document.xml", "officedocument.wordprocessingml.document.main"),
            ("word/styles.xml", "officedocument.wordprocessingml.styles"),
            ("word/numbering.xml", "officedocument.wordprocessingml.numbering"),
            ("word/footer1.xml", "officedocument.wordprocessingml.footer"),
            ("docProps/core.xml", "package.core-properties"),
        )
    )
    + "</Types>"
)

PACKAGE_RELATIONS = (
    f'{_HEAD}<Relationships xmlns="{_PACKAGE}/relationships">'
    f'<Relationship Id="rId1" Type="{RELATIONS}/officeDocument" Target="word/document.xml"/>'
    f'<Relationship Id="rId2" Type="{_PACKAGE}/relationships/metadata/core-properties" '
    'Target="docProps/core.xml"/></Relationships>'
)


def document_relations(images: int) -> str:
    """What the document refers to: styles, lists, footer and ``images`` pictures."""
    fixed = ("styles", "numbering", "footer")
    targets = ["styles.xml", "numbering.xml", "footer1.xml"]
    kinds = [*fixed, *(["image"] * images)]
    targets += [f"media/figure-{number}.png" for number in range(1, images + 1)]
    rows = "".join(
        f'<Relationship Id="rId{place}" Type="{RELATIONS}/{kind}" Target="{target}"/>'
        for place, (kind, target) in enumerate(zip(kinds, targets, strict=True), start=1)
    )
    return f'{_HEAD}<Relationships xmlns="{_PACKAGE}/relationships">{rows}</Relationships>'


FOOTER_RELATION = "rId3"


def image_relation(number: int) -> str:
    """The identifier of a picture's relation.

    >>> image_relation(1)
    'rId4'
    """
    return f"rId{number + 3}"


def _colour(name: str) -> str:
    return str(getattr(palette, name)).removeprefix("#").upper()


def _style(
    name: str,
    shown: str,
    *,
    paragraph: str = "",
    run: str = "",
    based_on: str = "Normal",
    is_default: bool = False,
) -> str:
    default = ' w:default="1"' if is_default else ""
    base = "" if is_default else f'<w:basedOn w:val="{based_on}"/>'
    return (
        f'<w:style w:type="paragraph"{default} w:styleId="{name}"><w:name w:val="{shown}"/>{base}'
        f"<w:qFormat/><w:pPr>{paragraph}</w:pPr><w:rPr>{run}</w:rPr></w:style>"
    )


def _heading(level: int, half_points: int) -> str:
    before = 360 if level == 1 else 240
    return _style(
        f"Heading{level}",
        f"heading {level}",
        paragraph=f'<w:keepNext/><w:spacing w:before="{before}" w:after="120"/>'
        f'<w:outlineLvl w:val="{level - 1}"/>',
        run=f'<w:b/><w:color w:val="{_colour("INK")}"/><w:sz w:val="{half_points}"/>',
    )


def styles(language: str) -> str:
    """The styles that the document uses; change them in Word and every place follows."""
    quiet = f'<w:color w:val="{_colour("QUIET_INK")}"/><w:sz w:val="17"/>'
    rows = (
        _style("Normal", "Normal", paragraph='<w:spacing w:after="120"/>', is_default=True),
        _style("Title", "Title", run='<w:b/><w:sz w:val="40"/>'),
        _style("Subtitle", "Subtitle", run=f'<w:color w:val="{_colour("QUIET_INK")}"/>'),
        _heading(1, 30),
        _heading(2, 24),
        _style("Caption", "caption", paragraph="<w:keepNext/>", run='<w:b/><w:sz w:val="18"/>'),
        _style("TableText", "Table text", paragraph='<w:spacing w:after="20"/>',
               run='<w:sz w:val="17"/>'),
        _style("TableNote", "Table note", run=quiet),
        _style("Warning", "Warning", run=f'<w:color w:val="{_colour("WARNING")}"/>'),
    )  # fmt: skip
    defaults = (
        f'<w:docDefaults><w:rPrDefault><w:rPr><w:rFonts w:ascii="{_FONT}" w:hAnsi="{_FONT}" '
        f'w:cs="{_FONT}"/><w:sz w:val="20"/><w:lang w:val="{escape(language)}"/></w:rPr>'
        "</w:rPrDefault></w:docDefaults>"
    )
    return f'{_HEAD}<w:styles xmlns:w="{WORD}">{defaults}{"".join(rows)}</w:styles>'


BULLETS, NUMBERS = 1, 2


def numbering(ordered_lists: int) -> str:
    """The bullets, and a numbering of its own for each of the ordered lists."""
    kinds = ((BULLETS, "bullet", "•"), (NUMBERS, "decimal", "%1."))
    levels = "".join(
        f'<w:abstractNum w:abstractNumId="{number}"><w:lvl w:ilvl="0"><w:start w:val="1"/>'
        f'<w:numFmt w:val="{form}"/><w:lvlText w:val="{text}"/><w:lvlJc w:val="left"/>'
        '<w:pPr><w:ind w:left="357" w:hanging="357"/></w:pPr></w:lvl></w:abstractNum>'
        for number, form, text in kinds
    )
    used = f'<w:num w:numId="{BULLETS}"><w:abstractNumId w:val="{BULLETS}"/></w:num>'
    for place in range(ordered_lists):
        used += (
            f'<w:num w:numId="{NUMBERS + place}"><w:abstractNumId w:val="{NUMBERS}"/>'
            '<w:lvlOverride w:ilvl="0"><w:startOverride w:val="1"/></w:lvlOverride></w:num>'
        )
    return f'{_HEAD}<w:numbering xmlns:w="{WORD}">{levels}{used}</w:numbering>'


def footer(words: str) -> str:
    """The footer: who may see the report, and the page."""
    return (
        f'{_HEAD}<w:ftr xmlns:w="{WORD}"><w:p><w:pPr><w:pStyle w:val="TableNote"/></w:pPr>'
        f'<w:r><w:t xml:space="preserve">{escape(words)}  ·  Page </w:t></w:r>'
        '<w:fldSimple w:instr=" PAGE "><w:r><w:t>1</w:t></w:r></w:fldSimple></w:p></w:ftr>'
    )


def properties(title: str, author: str, language: str, made: str) -> str:
    """Title, author, language and the report's own time; ``made`` is UTC as ISO text."""
    return (
        f'{_HEAD}<cp:coreProperties xmlns:cp="{_PACKAGE}/metadata/core-properties" '
        'xmlns:dc="http://purl.org/dc/elements/1.1/" xmlns:dcterms="http://purl.org/dc/terms/" '
        'xmlns:xsi="http://www.w3.org/2001/XMLSchema-instance">'
        f"<dc:title>{escape(title)}</dc:title><dc:creator>{escape(author)}</dc:creator>"
        f"<dc:language>{escape(language)}</dc:language>"
        f'<dcterms:created xsi:type="dcterms:W3CDTF">{made}</dcterms:created>'
        "</cp:coreProperties>"
    )
