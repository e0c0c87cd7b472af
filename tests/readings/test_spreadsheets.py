"""A spreadsheet's own file is read as the table it shows; several sheets are asked about."""

import zipfile
from datetime import datetime, timedelta
from xml.sax.saxutils import escape

import numpy as np
import pytest

from kit.errors import KitError
from kit.readings import read_log
from tests.readings.helpers import log_text, read_folder

MOMENTS = [datetime(2026, 5, 14, 10, 0, 0) + timedelta(seconds=30 * k) for k in range(40)]
ROWS = [["Bench 3"], [], ["Time", "Grate (°C)", "Lid (°C)", "Remark"]] + [
    [moment, 20.5 + 3 * k, 19.25 + k, "lid opened" if k == 7 else ""] for k, moment in enumerate(MOMENTS)
]
NAMES = {
    "xlsx": "http://schemas.openxmlformats.org/spreadsheetml/2006/main",
    "relations": "http://schemas.openxmlformats.org/officeDocument/2006/relationships",
    "package": "http://schemas.openxmlformats.org/package/2006/relationships",
    "types": "http://schemas.openxmlformats.org/package/2006/content-types",
}


def xlsx(path, **sheets):
    def cell(value):
        if isinstance(value, datetime):
            return f'<c s="1"><v>{(value - datetime(1899, 12, 30)) / timedelta(days=1):.10f}</v></c>'
        if isinstance(value, str):
            return f'<c t="inlineStr"><is><t>{escape(value)}</t></is></c>'
        return f"<c><v>{value}</v></c>"

    kind = "application/vnd.openxmlformats-officedocument.spreadsheetml"
    with zipfile.ZipFile(path, "w") as book:
        parts = "".join(
            f'<Override PartName="/xl/worksheets/sheet{k}.xml" ContentType="{kind}.worksheet+xml"/>'
            for k in range(1, len(sheets) + 1)
        )
        book.writestr(
            "[Content_Types].xml",
            f'<Types xmlns="{NAMES["types"]}"><Default Extension="rels" '
            'ContentType="application/vnd.openxmlformats-package.relationships+xml"/>'
            f'<Override PartName="/xl/workbook.xml" ContentType="{kind}.sheet.main+xml"/>'
            f'<Override PartName="/xl/styles.xml" ContentType="{kind}.styles+xml"/>{parts}</Types>',
        )
        book.writestr(
            "_rels/.rels",
            f'<Relationships xmlns="{NAMES["package"]}"><Relationship Id="r1" '
            f'Type="{NAMES["relations"]}/officeDocument" Target="xl/workbook.xml"/></Relationships>',
        )
        listed = "".join(
            f'<sheet name="{escape(name)}" sheetId="{k}" r:id="r{k}"/>' for k, name in enumerate(sheets, 1)
        )
        book.writestr(
            "xl/workbook.xml",
            f'<workbook xmlns="{NAMES["xlsx"]}" xmlns:r="{NAMES["relations"]}"><sheets>{listed}</sheets></workbook>',
        )
        targets = "".join(
            f'<Relationship Id="r{k}" Type="{NAMES["relations"]}/worksheet" Target="worksheets/sheet{k}.xml"/>'
            for k in range(1, len(sheets) + 1)
        )
        book.writestr(
            "xl/_rels/workbook.xml.rels",
            f'<Relationships xmlns="{NAMES["package"]}">{targets}<Relationship Id="s" '
            f'Type="{NAMES["relations"]}/styles" Target="styles.xml"/></Relationships>',
        )
        book.writestr(
            "xl/styles.xml",
            f'<styleSheet xmlns="{NAMES["xlsx"]}"><cellXfs count="2"><xf numFmtId="0"/><xf numFmtId="22" '
            'applyNumberFormat="1"/></cellXfs></styleSheet>',
        )
        for k, rows in enumerate(sheets.values(), 1):
            body = "".join(f"<row>{''.join(map(cell, row))}</row>" for row in rows)
            book.writestr(
                f"xl/worksheets/sheet{k}.xml",
                f'<worksheet xmlns="{NAMES["xlsx"]}"><sheetData>{body}</sheetData></worksheet>',
            )
    return path


def ods(path, rows):
    names = {
        part: f"urn:oasis:names:tc:opendocument:xmlns:{part}:1.0"
        for part in ("office", "table", "text", "manifest")
    }

    def cell(value):
        if isinstance(value, datetime):
            return f'<table:table-cell office:value-type="date" office:date-value="{value.isoformat()}"/>'
        if isinstance(value, str):
            return f'<table:table-cell office:value-type="string"><text:p>{escape(value)}</text:p></table:table-cell>'
        return f'<table:table-cell office:value-type="float" office:value="{value}"/>'

    body = "".join(
        f"<table:table-row>{''.join(map(cell, row)) or '<table:table-cell/>'}</table:table-row>"
        for row in rows
    )
    spaces = " ".join(f'xmlns:{part}="{name}"' for part, name in names.items())
    kind = "application/vnd.oasis.opendocument.spreadsheet"
    with zipfile.ZipFile(path, "w") as book:
        book.writestr("mimetype", kind)
        book.writestr(
            "META-INF/manifest.xml",
            f'<manifest:manifest {spaces}><manifest:file-entry manifest:full-path="/" manifest:media-type="{kind}"/>'
            '<manifest:file-entry manifest:full-path="content.xml" manifest:media-type="text/xml"/>'
            "</manifest:manifest>",
        )
        book.writestr(
            "content.xml",
            f'<office:document-content {spaces} office:version="1.2"><office:body><office:spreadsheet>'
            f'<table:table table:name="Log">{body}</table:table></office:spreadsheet></office:body>'
            "</office:document-content>",
        )
    return path


@pytest.mark.parametrize("kind", ["xlsx", "ods"])
def test_a_spreadsheets_own_file_is_read(tmp_path, kind):
    path = xlsx(tmp_path / "a.xlsx", Log=ROWS) if kind == "xlsx" else ods(tmp_path / "a.ods", ROWS)
    log = read_log(path)
    assert log.probes == ["Grate (°C)", "Lid (°C)"]
    np.testing.assert_allclose(log.table["Grate (°C)"], [20.5 + 3 * k for k in range(40)])
    np.testing.assert_allclose(log.table["elapsed_s"], np.arange(40) * 30.0, atol=1e-3)
    assert str(log.table["clock"].iloc[0]) == "2026-05-14 10:00:00"
    assert list(log.events["text"]) == ["lid opened"] and int(log.lines[0]) == 4


def test_several_sheets_are_asked_about_and_the_one_named_is_read(tmp_path):
    path = xlsx(tmp_path / "a.xlsx", Settings=[["rate", 30]], Log=ROWS, Empty=[])
    with pytest.raises(KitError) as caught:
        read_log(path)
    (problem,) = caught.value.problems
    assert problem.kind == "ask" and "'Log' (43 rows)" in problem.found and "sheet = " in problem.remedy
    assert "Empty" not in problem.found
    assert len(read_log(path, {"sheet": "Log"}).table) == 40
    with pytest.raises(KitError, match=r"no sheet 'Lgo'.*Log"):
        read_log(path, {"sheet": "Lgo"})


def test_a_zip_that_is_no_spreadsheet_is_refused_in_words(tmp_path):
    path = log_text(b"PK\x03\x04" + b"\0" * 200, tmp_path, "a.xlsx")
    with pytest.raises(KitError, match="cannot be opened as one"):
        read_log(path)


def test_a_burn_is_read_from_a_spreadsheet(tmp_path):
    (tmp_path / "made").mkdir()
    data = xlsx(tmp_path / "made" / "a.xlsx", Other=[["x"]], Log=ROWS).read_bytes()
    burns = "burn,fuel,day,lit,stopped,log\n1,alder,2026-05-14,10:01:00,10:19:00,a.xlsx\n"
    trial = '[[logger]]\nid = "A"\nsheet = "Log"\n'
    found = read_folder(tmp_path / "run", burns, {"a.xlsx": data}, trial)
    assert list(found.spans["n"]) == [40, 40]
