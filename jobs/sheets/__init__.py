"""Tables that people send: CSV and XLSX, read once into plain cells, within limits."""

from jobs.errors import Fault, Invalid, TooLarge
from jobs.sheets.grid import MOST_BYTES, Cell, CellKind, Faults, Sheet, cell_name
from jobs.sheets.text import read_text
from jobs.sheets.workbook import read_workbook

__all__ = ["MOST_BYTES", "Cell", "CellKind", "Faults", "Sheet", "cell_name", "read_sheet"]

_ZIP, _OLE, _PDF = b"PK\x03\x04", b"\xd0\xcf\x11\xe0\xa1\xb1\x1a\xe1", b"%PDF-"
_OTHERS = {
    _OLE: "is an old or password-protected workbook; save it without a password as .xlsx or as CSV",
    _PDF: "is a PDF; send the spreadsheet it was made from, as .xlsx or CSV",
    b"\x1f\x8b": "is a gzip archive; unpack it and send the .xlsx or CSV inside",
    b"{\\rtf": "is a text document; save the table as .xlsx or CSV",
}


def read_sheet(data: bytes) -> Sheet:
    """The cells of a CSV or XLSX file. The content tells which it is, never the name.

    Raises TooLarge, or Invalid with what is wrong with the file and what to do.
    """
    if len(data) > MOST_BYTES:
        raise TooLarge(f"The file has {len(data)} bytes; at most {MOST_BYTES} are read. Split it.")
    if not data.strip():
        raise Invalid("The file is empty.", [Fault("file", "is empty; choose the file again")])
    if data.startswith(_ZIP):
        return read_workbook(data)
    for mark, words in _OTHERS.items():
        if data.startswith(mark):
            raise Invalid("The file is neither CSV nor XLSX.", [Fault("file", words)])
    return read_text(data)
