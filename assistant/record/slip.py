"""The prescription slip: one A5 page (fpdf2) a dispensing optician can work from without asking back.

Written by the trade's rules: every power signed, axis of three digits without a degree sign, a zero sphere as
plano, no cell left blank: a dash says that there is none, so that a gap is never taken for a forgotten
value. DRAFT stands across the page until it is signed.
"""

from __future__ import annotations

from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any

from .. import __version__
from ..errors import UserError
from ..optics.transpose import signed as signed_power
from .signing import ED25519, fingerprint
from .summary import EyeSummary, Summary

if TYPE_CHECKING:
    from fpdf import FPDF

INSTALL = "pip install 'handsfree-refraction[pdf]'"

# Millimetres, on A5 across (210 x 148).
_MARGIN = 14.0
_WIDTH = 210.0 - 2 * _MARGIN
_COLUMNS = (("", 30.0), ("Sphere", 30.0), ("Cylinder", 30.0), ("Axis", 24.0), ("Add", 30.0), ("Acuity", 38.0))
_ROW = 11.5
_SMALLEST = 6.0  # points: below it nobody reads

_FONT_KINDS = (b"\0\1\0\0", b"true", b"OTTO")  # how TrueType and OpenType files begin

_INK = (20, 24, 32)
_QUIET = (95, 100, 110)
_RULE = (150, 156, 166)
_DRAFT = (176, 32, 32)

_NONE = "\N{EM DASH}"  # there is none; longer than any minus sign


def slip(summary: Summary, font: Path | None = None) -> bytes:
    """The slip as a PDF file. `font`: a TrueType file for names with letters beyond Western European ones.

    Raises UserError where no eye was measured, a letter is in no font given, or fpdf2 is not installed.
    """
    if all(eye.lens is None for _, eye in summary.eyes()):
        raise UserError("neither eye was measured: there is no prescription to export")
    try:
        from fpdf import FPDF
    except ImportError:
        raise UserError(f"the slip needs the fpdf2 package: {INSTALL}") from None
    pdf = FPDF(orientation="landscape", unit="mm", format=(148, 210))
    family = _font(pdf, font)
    pdf.set_auto_page_break(False)
    pdf.set_margin(_MARGIN)
    pdf.c_margin = 0
    pdf.core_fonts_encoding = "cp1252"
    pdf.set_title("Spectacle prescription")
    pdf.set_lang("en")
    pdf.set_creator(f"handsfree-refraction {__version__}")
    pdf.set_creation_date(summary.written)
    pdf.set_keywords(summary.last_hash[:16])  # of which record it was made, for programs
    pdf.add_page()
    page = _Page(pdf, family)
    page.head(summary)
    page.table(summary)
    page.below(summary)
    page.prescriber(summary)
    page.foot(summary)
    if summary.is_draft:
        page.draft()
    return bytes(pdf.output())


def _font(pdf: FPDF, font: Path | None) -> str:
    if font is None:
        return "helvetica"
    refused = f"--font: {font} is not a TrueType font file (.ttf) that can be read"
    try:
        with font.open("rb") as file:
            kind = file.read(4)
    except OSError:
        raise UserError(refused) from None
    if kind not in _FONT_KINDS:
        raise UserError(refused)
    try:
        for style in ("", "B"):
            pdf.add_font("given", style, str(font))
    except Exception as error:  # the font library raises many kinds for a damaged file
        raise UserError(refused) from error
    return "given"


class _Page:
    def __init__(self, pdf: FPDF, family: str):
        self.pdf = pdf
        self.family = family

    def text(
        self, x: float, y: float, text: str, size: float, bold: bool = False, quiet: bool = False,
        align: str = "L", width: float = 0.0,
    ) -> None:  # fmt: skip
        """One line of text with its top left corner at x, y; shrunk to fit `width` where one is given."""
        pdf = self.pdf
        self._has(text)
        pdf.set_text_color(*(_QUIET if quiet else _INK))
        pdf.set_font(self.family, "B" if bold else "", size)
        while width and size > _SMALLEST and pdf.get_string_width(text) > width - 1:
            size -= 0.5
            pdf.set_font_size(size)
        if width and pdf.get_string_width(text) > width:
            raise UserError(f"{text[:20]!r}... is too long for the slip")
        pdf.set_xy(x, y)
        pdf.cell(width or None, size * 0.42, text, align=align)

    def _has(self, text: str) -> None:
        """Raises UserError for a letter the font lacks: a name with a hole in it is no name."""
        if self.family == "helvetica":
            lacking = [char for char in text if not char.encode("cp1252", "ignore")]
        else:
            font: Any = self.pdf.fonts[self.family]  # a TrueType one, which alone has a character map
            known: dict[int, Any] = font.cmap
            lacking = [char for char in text if ord(char) not in known]
        if lacking:
            raise UserError(
                f"{lacking[0]!r} in {text!r} is not in the font: give a TrueType font that has it by --font"
            )

    def rule(self, y: float, x: float = _MARGIN, width: float = _WIDTH) -> None:
        self.pdf.set_draw_color(*_RULE)
        self.pdf.set_line_width(0.25)
        self.pdf.line(x, y, x + width, y)

    def label(self, x: float, y: float, name: str, value: str, width: float) -> None:
        self.text(x, y, name, 7.5, quiet=True)
        self.text(x, y + 4.2, value, 11, width=width)

    def head(self, summary: Summary) -> None:
        self.text(_MARGIN, 11, "Spectacle prescription", 17, bold=True)
        if summary.is_draft:
            why = "changed after it was signed" if summary.amended else "not signed"
            self.text(_MARGIN, 12.5, f"DRAFT: {why}", 10.5, bold=True, align="R", width=_WIDTH)
        else:
            signed = "Signed; not complete" if summary.left_open else "Signed"
            self.text(_MARGIN, 12.5, signed, 10.5, bold=True, align="R", width=_WIDTH)
        self.rule(21.5)
        self.label(_MARGIN, 24.5, "Patient", summary.patient or "not named", 76)
        self.label(_MARGIN + 80, 24.5, "Age", _NONE if summary.age is None else str(summary.age), 18)
        self.label(_MARGIN + 100, 24.5, "Examined", _day(summary.begun), 38)
        self.label(_MARGIN + 142, 24.5, "Written" if summary.is_draft else "Signed", _day(summary.written), 40)

    def table(self, summary: Summary) -> None:
        x, y = _MARGIN, 39.0
        self.pdf.set_fill_color(238, 240, 243)
        self.pdf.rect(x, y, _WIDTH, 7, style="F")
        for name, width in _COLUMNS:
            self.text(x, y + 2, name, 8.5, bold=True, align="C", width=width)
            x += width
        y += 7
        for name, eye in summary.eyes():
            x = _MARGIN
            for (_, width), value in zip(_COLUMNS, _row(name, eye), strict=True):
                first = x == _MARGIN
                at, size, align = (y + 3.7, 11, "L") if first else (y + 3.2, 14, "C")
                self.text(x, at, value, size, bold=True, align=align, width=width)
                x += width
            y += _ROW
            self.rule(y)

    def below(self, summary: Summary) -> None:
        y = 73.0
        far = "not measured" if summary.pd is None else f"{summary.pd:g} mm"
        near = _NONE if summary.near_pd is None else f"{summary.near_pd:g} mm"
        vertex = "not recorded" if summary.vertex is None else f"{summary.vertex:g} mm"
        self.label(_MARGIN, y, "Pupillary distance, far", far, 40)
        self.label(_MARGIN + 42, y, "near (reckoned)" if summary.near_pd_computed else "near", near, 22)
        self.label(_MARGIN + 66, y, "Vertex distance", vertex, 36)
        notes = [f"{name.title()} eye {note}" for name, eye in summary.eyes() if (note := _note(eye))]
        if summary.unconfirmed:
            notes.append(summary.unconfirmed.capitalize())
        if notes:
            self.text(_MARGIN + 104, y, "Note", 7.5, quiet=True)
        for place, note in enumerate(notes):
            self.text(_MARGIN + 104, y + 4.2 + 4.6 * place, note, 9.5, bold=True, width=78)

    def prescriber(self, summary: Summary) -> None:
        y = 89.0
        self.rule(y)
        half = _WIDTH / 2 - 4
        right = _MARGIN + _WIDTH / 2 + 4
        if summary.signed is None:
            self.label(_MARGIN, y + 3, "Prescriber", "nobody yet", half)
            self.label(right, y + 3, "Licence", _NONE, half)
        else:
            self.label(_MARGIN, y + 3, "Prescriber", summary.signed["by"], half)
            self.label(right, y + 3, "Licence", summary.signed["licence"], half)
        self.rule(y + 22, _MARGIN, half)
        self.text(_MARGIN, y + 23.5, "Signature", 7.5, quiet=True)
        self.rule(y + 22, right, half)
        self.text(right, y + 23.5, "Valid until (as local law sets)", 7.5, quiet=True)

    def foot(self, summary: Summary) -> None:
        y = 124.0
        lines = [
            "Powers in dioptres, minus cylinder. Axis in degrees, seen facing the wearer, counter-clockwise "
            "(ISO 8429). A dash: there is none.",
            f"From the exam's record {summary.last_hash[:16]}, {summary.events} events.",
        ]
        if summary.signed is not None and summary.signed["method"] == ED25519:
            public = bytes.fromhex(summary.signed["public_key"])
            lines.append(f"Signed at {summary.signed['at']} with key {fingerprint(public)}.")
        elif summary.signed is not None:
            lines.append(f"Signed at {summary.signed['at']} by name in the record.")
        else:
            lines.append("A draft is not a prescription: a licensed practitioner decides and signs.")
        for place, line in enumerate(lines):
            self.text(_MARGIN, y + place * 4.2, line, 7.5, quiet=True, width=_WIDTH)

    def draft(self) -> None:
        pdf = self.pdf
        pdf.set_text_color(*_DRAFT)
        pdf.set_font(self.family, "B", 120)
        width = pdf.get_string_width("DRAFT")
        with pdf.local_context(fill_opacity=0.16), pdf.rotation(28, 105, 74):
            pdf.set_xy(105 - width / 2, 54)
            pdf.cell(width, 40, "DRAFT", align="C")


def _note(eye: EyeSummary) -> str:
    notes = [] if eye.remark is None else [eye.remark]
    if eye.intermediate:
        notes.append(f"intermediate add {signed_power(eye.intermediate)}")
    return "; ".join(notes)


def _row(name: str, eye: EyeSummary) -> tuple[str, ...]:
    title = {"right": " Right (OD)", "left": " Left (OS)"}[name]
    if eye.lens is None:
        return title, "not measured", "", "", "", ""
    lens = eye.lens
    return (
        title,
        signed_power(lens.sphere) if lens.sphere else "plano",
        signed_power(lens.cylinder) if lens.cylinder else _NONE,
        f"{lens.axis:03d}" if lens.cylinder else _NONE,
        signed_power(eye.add) if eye.add else _NONE,
        eye.acuity or "not taken",
    )


def _day(moment: datetime) -> str:
    """The date where the exam was made: the day on a prescription is a local one."""
    return f"{moment.astimezone():%d %b %Y}"
