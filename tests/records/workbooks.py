"""Workbooks made by hand: the least that a reader takes for one."""

import zipfile
from datetime import date

_OFFICE = "urn:oasis:names:tc:opendocument:xmlns"
_SPREAD = "http://schemas.openxmlformats.org/spreadsheetml/2006/main"
_RELATION = "http://schemas.openxmlformats.org/officeDocument/2006/relationships"
_PACKAGE = "http://schemas.openxmlformats.org/package/2006"


def write_ods(path, sheets):
    """Write sheets of texts and dates: their names, and their rows of cells."""
    tables = "".join(
        f'<table:table table:name="{name}">{"".join(map(_row, rows))}</table:table>'
        for name, rows in sheets.items()
    )
    spaces = " ".join(f'xmlns:{name}="{_OFFICE}:{name}:1.0"' for name in ("office", "table", "text"))
    body = f"<office:body><office:spreadsheet>{tables}</office:spreadsheet></office:body>"
    return _pack(
        path,
        {
            "mimetype": "application/vnd.oasis.opendocument.spreadsheet",
            "content.xml": f"<office:document-content {spaces}>{body}</office:document-content>",
            "META-INF/manifest.xml": f'<m:manifest xmlns:m="{_OFFICE}:manifest:1.0"/>',
        },
    )


def _row(cells):
    dated = '<table:table-cell office:value-type="date" office:date-value="{}"/>'
    text = '<table:table-cell office:value-type="string"><text:p>{}</text:p></table:table-cell>'
    told = "".join((dated if isinstance(cell, date) else text).format(cell) for cell in cells)
    return f"<table:table-row>{told}</table:table-row>"


def write_xlsx(path, rows, **more):
    """Write one sheet out of the XML of its rows."""
    sheet = f'<worksheet xmlns="{_SPREAD}"><sheetData>{rows}</sheetData></worksheet>'
    return _pack(
        path,
        {
            "_rels/.rels": _related("officeDocument", "xl/workbook.xml"),
            "xl/workbook.xml": f'<workbook xmlns="{_SPREAD}" xmlns:r="{_RELATION}"><sheets>'
            '<sheet name="jobs" sheetId="1" r:id="r1"/></sheets></workbook>',
            "xl/_rels/workbook.xml.rels": _related("worksheet", "worksheets/sheet1.xml"),
            "xl/worksheets/sheet1.xml": sheet,
            **more,
        },
    )


def _related(what, target):
    told = f'<Relationship Id="r1" Type="{_RELATION}/{what}" Target="{target}"/>'
    return f'<Relationships xmlns="{_PACKAGE}/relationships">{told}</Relationships>'


def _pack(path, entries):
    with zipfile.ZipFile(path, "w", zipfile.ZIP_DEFLATED) as archive:
        for name, content in entries.items():
            archive.writestr(name, content)
    return path
