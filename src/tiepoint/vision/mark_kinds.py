"""The kinds of codes that can be read, by the names of their standards, and what protects each from being misread."""

from collections.abc import Iterable
from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal

if TYPE_CHECKING:
    import zxingcpp

Guard = Literal["correction", "check", "none"]
"""`correction`: Reed-Solomon error correction; `check`: check characters that every symbol has; `none`: neither."""


@dataclass(frozen=True)
class MarkKind:
    """A symbology: `formats` as zxing-cpp names them, the one to ask for first; how its content is guarded."""

    name: str
    formats: tuple[str, ...]
    guard: Guard
    says: str


_ALL = (
    MarkKind("aztec", ("Aztec", "AztecCode", "AztecRune"), "correction", "Aztec Code, runes too (ISO/IEC 24778)"),
    MarkKind("codabar", ("Codabar",), "none", "Codabar (EN 798)"),
    MarkKind("code_32", ("Code32",), "check", "Code 32 (Italian medicines)"),
    MarkKind("code_39", ("Code39", "Code39Std", "Code39Ext"), "none", "Code 39 (ISO/IEC 16388)"),
    MarkKind("code_93", ("Code93",), "check", "Code 93"),
    MarkKind("code_128", ("Code128",), "check", "Code 128 and GS1-128 (ISO/IEC 15417)"),
    MarkKind("data_matrix", ("DataMatrix",), "correction", "Data Matrix ECC 200 (ISO/IEC 16022)"),
    MarkKind(
        "databar",
        (
            "DataBar",
            "DataBarOmni",
            "DataBarStk",
            "DataBarStkOmni",
            "DataBarLtd",
            "DataBarExp",
            "DataBarExpStk",
        ),
        "check",
        "GS1 DataBar (ISO/IEC 24724)",
    ),
    MarkKind("dx_film_edge", ("DXFilmEdge",), "check", "DX film edge"),
    MarkKind("ean_8", ("EAN8",), "check", "EAN-8 (ISO/IEC 15420)"),
    MarkKind("ean_13", ("EAN13", "ISBN"), "check", "EAN-13 (ISO/IEC 15420)"),
    MarkKind("itf", ("ITF", "ITF14"), "none", "Interleaved 2 of 5 (ISO/IEC 16390)"),
    MarkKind("maxicode", ("MaxiCode",), "correction", "MaxiCode (ISO/IEC 16023)"),
    MarkKind("micro_pdf417", ("MicroPDF417",), "correction", "MicroPDF417 (ISO/IEC 24728)"),
    MarkKind("micro_qr", ("MicroQRCode",), "correction", "Micro QR Code (ISO/IEC 18004)"),
    MarkKind("pdf417", ("PDF417", "CompactPDF417"), "correction", "PDF417, compact too (ISO/IEC 15438)"),
    MarkKind("pzn", ("PZN",), "check", "PZN (German medicines)"),
    MarkKind("qr", ("QRCode", "QRCodeModel1", "QRCodeModel2"), "correction", "QR Code (ISO/IEC 18004)"),
    MarkKind("rmqr", ("RMQRCode",), "correction", "Rectangular Micro QR Code (ISO/IEC 23941)"),
    MarkKind("telepen", ("Telepen", "TelepenAlpha", "TelepenNumeric"), "check", "Telepen"),
    MarkKind("upc_a", ("UPCA",), "check", "UPC-A (ISO/IEC 15420)"),
    MarkKind("upc_e", ("UPCE",), "check", "UPC-E (ISO/IEC 15420)"),
)

KINDS: dict[str, MarkKind] = {kind.name: kind for kind in _ALL}

_BY_FORMAT = {name: kind for kind in _ALL for name in kind.formats}


def kind_of(format_name: str) -> MarkKind | None:
    """Return the kind that a format of zxing-cpp belongs to; None for one that is none of ours."""
    return _BY_FORMAT.get(format_name)


def formats_of(kinds: Iterable[str]) -> "zxingcpp.BarcodeFormats":
    """Return what to ask zxing-cpp for, to read some kinds; without any, everything it reads."""
    import zxingcpp

    asked = [getattr(zxingcpp.BarcodeFormat, KINDS[name].formats[0]) for name in kinds]
    return zxingcpp.BarcodeFormats(asked or zxingcpp.BarcodeFormat.AllReadable)
