"""The finished file: structure, conformance, fonts, text on both papers, attachments, same bytes."""

import hashlib
import html
import os
import re
import subprocess
import sys
from pathlib import Path

import page
import pikepdf
import pytest
from msgspec.structs import replace

from reports.document import digest, from_bytes, to_bytes
from reports.render import RenderFailed, charts, render_report
from reports.render.figures import Figures
from reports.render.join import Metadata, join
from reports.render.parts import Limits, Presses
from reports.render.pipeline import pack
from reports.render.sheet import METHOD_WORDS
from reports.render.templating import part_html
from tests.render.conftest import Case
from tests.render.sample import PLANE_FLAG, READINGS, issue, sample, small
from tests.render.structure import check, font_names, page_texts, wrong_lengths

# The validator reads a compressed stream that ends in CR as one byte too long; every length is scanned here.
FORGIVEN = "STREAM-LENGTH"


def failures(path: Path, profile: str) -> list[str]:
    """What a profile's rules object to."""
    report = page.validate_pdf(path, profile=profile)
    return [f"{f.rule_id}: {f.message}" for f in report.failures if FORGIVEN not in f.rule_id]


def test_structure_tree_resolves(case: Case) -> None:
    found = check(case.rendered.path)
    assert found.faults == []
    assert found.marked > 1000
    assert found.kinds["/Figure"] >= 30
    assert found.kinds["/Document"] == 1


@pytest.mark.parametrize("profile", ["3a", "ua1"])
def test_conforms(case: Case, profile: str) -> None:
    assert failures(case.rendered.path, profile) == []
    assert wrong_lengths(case.rendered.path) == []


def test_structure_checker_sees_a_broken_tree(issued: Case, tmp_path: Path) -> None:
    broken = tmp_path / "broken.pdf"
    with pikepdf.open(issued.rendered.path) as pdf:
        first, second = pdf.pages[0].obj, pdf.pages[1].obj
        first.StructParents, second.StructParents = second.StructParents, first.StructParents
        pdf.save(broken)
    assert check(broken).faults


def test_only_our_fonts(case: Case) -> None:
    names = font_names(case.rendered.path)
    assert names
    assert all(name.startswith(("IBM-Plex-Sans", "IBM-Plex-Mono")) for name in names), names


def test_figures_have_text_alternatives(case: Case) -> None:
    with pikepdf.open(case.rendered.path) as pdf:
        elements = [o for o in pdf.objects if isinstance(o, pikepdf.Dictionary) and o.get("/S") == "/Figure"]
        alternatives = [str(e.Alt) for e in elements]
        boxes = [[float(v) for v in e.A.BBox] for e in elements]
    assert all(len(text) > 20 for text in alternatives)
    assert any(text.startswith("Rectangular duct") for text in alternatives)
    assert all(x1 < x2 and y1 < y2 and y1 >= 0 for x1, y1, x2, y2 in boxes)


def test_headers_have_scope_and_no_ids(case: Case) -> None:
    with pikepdf.open(case.rendered.path) as pdf:
        heads = [o for o in pdf.objects if isinstance(o, pikepdf.Dictionary) and o.get("/S") == "/TH"]
        scopes = {str(h.A.Scope) for h in heads}
        assert not any("/ID" in h for h in heads)
    assert scopes == {"/Column", "/Row"}


def _words(texts: list[str]) -> str:
    return " ".join(texts).replace("\u00a0", " ").replace("\u202f", " ")


def test_text_of_every_sheet_is_there(case: Case) -> None:
    whole = _words(page_texts(case.rendered.path))
    for system in case.document.systems:
        assert system.name in whole
        for sheet in system.sheets:
            assert f"traverse {sheet.tag}" in whole
            assert sheet.dominating in whole
            for part in sheet.budget:
                assert part.source in whole
            for flag in sheet.flags:
                assert flag.seen in whole
                assert flag.answer is not None
                assert flag.answer.reason in whole
            for line in sheet.history:
                assert line.what in whole
        for row in system.outlets:
            assert f"{row.tag} {row.place}" in whole
    for instrument in case.document.instruments:
        assert instrument.serial in whole
        assert all(c.number in whole and c.laboratory in whole for c in instrument.certificates)
    for caution in case.document.cautions:
        assert caution in whole


def test_text_of_every_test_is_there(case: Case) -> None:
    """Also a sheet with thirty inputs in its budget, and one that is for information only."""
    texts = page_texts(case.rendered.path)
    whole, close = _words(texts), _close(texts)
    tests = [test for system in case.document.systems for test in system.tests]
    assert len(tests) == 16
    for test in tests:
        assert f"{METHOD_WORDS[test.method]} {test.tag}" in whole
        assert _close([test.dominating]).casefold() in close.casefold()
        for row in test.budget:
            if abs(row.share) >= 0.005:
                assert _close([row.source]).casefold() in close.casefold()
        for name in [*(t.name.partition(":")[0] for t in test.told), *(r.place for r in test.readings)]:
            assert _close([name.partition(":")[0]]) in close
        for caution in test.cautions:
            assert _close([caution]) in close
        assert f"record {test.anchor}, in the attached snapshot" in whole
    assert whole.count("For information") == 1
    assert whole.count("number 30") == 1


def _close(texts: list[str]) -> str:
    """Without any space: a long word may be broken anywhere."""
    return re.sub(r"\s", "", _words(texts))


def test_pictures_of_tests_are_figures_with_their_finding(case: Case) -> None:
    figures = Figures(case.document.company.units)
    wanted = [
        re.search("<title>(.*?)</title>", one.svg)
        for system in case.document.systems
        for test in system.tests
        for one in charts.pictures_of(test, figures)
    ]
    with pikepdf.open(case.rendered.path) as pdf:
        told = {str(o.Alt) for o in pdf.objects if isinstance(o, pikepdf.Dictionary) and "/Alt" in o}
    assert len(wanted) == 13
    for found in wanted:
        assert found is not None
        assert html.unescape(found[1]) in told


def test_nothing_is_printed_twice(case: Case) -> None:
    whole = _words(page_texts(case.rendered.path))
    runs = [r for system in case.document.systems for s in system.sheets for r in s.runs]
    assert (
        whole.count("Row Depth, ")
        == whole.count("Insertion depths and ")
        == sum(bool(r.readings) for r in runs)
    )
    assert whole.count("Line Duration, s") == sum(bool(r.sweeps) for r in runs)
    assert whole.count("Against the first") == sum(len(system.sheets) for system in case.document.systems)


def test_last_words_of_each_block_are_there(case: Case) -> None:
    texts = [_words([t]) for t in page_texts(case.rendered.path)]
    whole = " ".join(texts)
    for system in case.document.systems:
        for sheet in system.sheets:
            assert f"record {sheet.anchor}, in the attached snapshot" in whole
    assert "instruments FH-1" in whole
    assert case.document.evidence is not None
    assert case.document.evidence.mac in texts[-1]
    assert case.document.methods[-1].source in whole
    assert "Local codes" in whole


def test_pages_are_numbered_and_on_paper(case: Case) -> None:
    texts = page_texts(case.rendered.path)
    assert len(texts) == case.rendered.pages
    for number, text in enumerate(texts, 1):
        assert f"Page {number} of {len(texts)}" in text
    size = {"A4": (595.28, 841.89), "Letter": (612.0, 792.0)}[case.paper]
    with pikepdf.open(case.rendered.path) as pdf:
        for sheet in pdf.pages:
            assert [float(v) for v in sheet.mediabox][2:] == pytest.approx(size, abs=0.1)


def test_contents_page_tells_the_truth(case: Case) -> None:
    texts = page_texts(case.rendered.path)
    with pikepdf.open(case.rendered.path) as pdf:
        places = {p.obj.objgen: k for k, p in enumerate(pdf.pages, 1)}
        names: dict[str, int] = {}
        for leaf in pdf.Root.Names.Dests.Kids:
            flat = list(leaf.Names)
            names |= {str(n): places[d[0].objgen] for n, d in zip(flat[::2], flat[1::2], strict=True)}
        entries = [str(link.Dest) for link in pdf.pages[1].obj.Annots]
    assert entries[:2] == ["summary", "deficiencies"]
    assert f"Summary {names['summary']} Deficiencies {names['deficiencies']}" in texts[1]
    for tag, anchor in (("T-07", "sheet-t-07"), ("T-21", "sheet-t-21")):
        assert anchor in entries
        assert f"traverse {tag} {names[anchor]}" in texts[1]
        assert f"traverse {tag}" in texts[names[anchor] - 1]


def test_columns_at_the_end_of_a_page_are_printed_once(tmp_path: Path) -> None:
    """Whatever stands above them: neither cut off nor repeated."""
    pieces = []
    for k in range(14):
        rows = "".join(f"<tr><th scope='row'>row {k} {n}</th></tr>" for n in range(8))
        table = f"<table><caption>left {k} of it</caption><tbody>{rows}</tbody></table>"
        right = f"<div class='r'><p>right {k} of it</p></div>"
        entry = (
            f"<ul class='toc'><li><span class='t'>title {k} of it</span>"
            f"<span class='no'>no {k} of it</span></li></ul>"
        )
        filler = f"<div style='height:{k * 17}mm'>filler</div>"
        pieces.append(
            f"<section>{filler}<div class='two'><div class='l'>{table}</div>{right}</div>{entry}</section>"
        )
    for paper in ("A4", "Letter"):
        html = part_html("columns", "en", paper, "", "<h1>Columns</h1>" + "".join(pieces))
        with Presses(1, Limits()) as presses:
            (part,) = presses.render([(html, tmp_path / f"{paper}.pdf")])
        whole = " ".join(page_texts(part.path))
        for k in range(14):
            for word in ("left", "right", "title", "no"):
                assert whole.count(f"{word} {k} of it") == 1
            assert all(whole.count(f"row {k} {n} ") == 1 for n in range(8))


def test_sheets_of_many_points_and_instruments_are_whole(workdir: Path) -> None:
    document = sample()
    first = document.systems[0]
    base = first.sheets[1]
    points = tuple(
        replace(base.points[0], line=name, index=k, depth=0.004 * k) for name in "AB" for k in range(1, 91)
    )
    readings = tuple(
        replace(base.runs[0].readings[0], line=p.line, index=p.index, pressure=100.0 + p.index)
        for p in points
    )
    keys = tuple(f"KEY-{k}" for k in range(70))
    tall = replace(
        base, points=points, runs=(replace(base.runs[0], readings=readings),), instruments=keys, history=()
    )
    changed = replace(document, systems=(replace(first, sheets=(tall,), outlets=()),))
    whole = _words(page_texts(render_report(changed, None, workdir=workdir, readings_csv=b"").path))
    assert all(f"KEY-{k} " in whole for k in range(70))
    assert all(f"{100 + k}.0 {100 + k}.0" in whole for k in range(1, 91))


def test_table_heads_are_repeated(tmp_path: Path) -> None:
    rows = "".join(f"<tr><th scope='row'>row {k}</th><td>{k}</td></tr>" for k in range(150))
    head = "<thead><tr><th scope='col'>Tag</th><th scope='col'>Value of it</th></tr></thead>"
    html = part_html("long", "en", "A4", "", f"<h1>Long</h1><table>{head}<tbody>{rows}</tbody></table>")
    with Presses(1, Limits()) as presses:
        (part,) = presses.render([(html, tmp_path / "long.pdf")])
    texts = page_texts(part.path)
    assert part.pages == len(texts) >= 3
    assert all("Value of it" in text for text in texts)


def test_issued_says_who_and_where(issued: Case) -> None:
    whole = _words(page_texts(issued.rendered.path))
    stamp = issue()
    assert "not issued" not in whole
    assert f"Report {stamp.number} · revision {stamp.revision}" in whole
    assert stamp.address in whole
    assert digest(to_bytes(issued.document)) in whole


def test_draft_says_so_on_every_page(draft: Case) -> None:
    for text in page_texts(draft.rendered.path):
        assert "Draft, not issued" in text
    assert "proves nothing" in _words(page_texts(draft.rendered.path))


def test_link_to_the_public_page_and_between_parts(issued: Case) -> None:
    with pikepdf.open(issued.rendered.path) as pdf:
        links = [a for p in pdf.pages for a in p.obj.get("/Annots", ())]
        outward = {str(a.A.URI) for a in links if "/A" in a}
        inward = {str(a.Contents) for a in links if "/Dest" in a}
    assert outward == {issue().address}
    assert "Go to Pitot traverse T-07" in inward


def test_attachments_are_the_snapshot_and_the_readings(case: Case) -> None:
    with pikepdf.open(case.rendered.path) as pdf:
        files = {name: spec.get_file().read_bytes() for name, spec in pdf.attachments.items()}
        relations = {str(spec.F): str(spec.AFRelationship) for spec in pdf.Root.AF}
    assert files["readings.csv"] == READINGS
    assert from_bytes(files["snapshot.json"]) == from_bytes(to_bytes(case.document))
    assert relations == {"snapshot.json": "/Source", "readings.csv": "/Data"}


def test_outline_puts_sheets_under_their_system(case: Case) -> None:
    with pikepdf.open(case.rendered.path) as pdf, pdf.open_outline() as outline:
        system = next(item for item in outline.root if item.title == "AHU-3 supply")
        below = [item.title for item in system.children]
    assert below == ["Outlets AHU-3 supply", "Pitot traverse T-07", "Pitot traverse T-08"]


def test_same_input_same_bytes(issued: Case, workdir: Path) -> None:
    again = render_report(issued.document, issue(), workdir=workdir, readings_csv=READINGS, processes=1)
    assert again.sha256 == issued.rendered.sha256 == hashlib.sha256(again.path.read_bytes()).hexdigest()
    assert again.size == issued.rendered.size
    assert [p.name for p in workdir.iterdir()] == ["report.pdf"]


def test_works_where_no_font_is_installed(workdir: Path, tmp_path: Path) -> None:
    config = tmp_path / "fonts.conf"
    config.write_text(f'<?xml version="1.0"?><fontconfig><cachedir>{tmp_path}/cache</cachedir></fontconfig>')
    code = (
        "import sys; from pathlib import Path; from reports.render import RenderFailed, render_report;"
        "from tests.render.sample import sample, issue;"
        "render_report(sample(), issue(), workdir=Path(sys.argv[1]), readings_csv=b'', processes=2)"
    )
    environment = os.environ | {"FONTCONFIG_FILE": str(config)}
    subprocess.run([sys.executable, "-c", code, str(workdir)], env=environment, check=True, timeout=60)
    assert all(name.startswith("IBM-Plex") for name in font_names(workdir / "report.pdf"))


def test_signature_field_is_tagged(tmp_path: Path) -> None:
    html = part_html("Small", "en", "A4", "", "<h1 id='a'>Small</h1><p>Page of 0123456789</p>")
    stamp = part_html("Stamp", "en", "A4", "", "<p>Page of 0123456789</p>")
    with Presses(1, Limits()) as presses:
        parts = presses.render([(html, tmp_path / "a.pdf"), (stamp, tmp_path / "stamp.pdf")])
    made = sample().report.approved.at
    assert made is not None
    metadata = Metadata(title="Small", author="A", made=made, signature_field="Issue")
    target = tmp_path / "joined.pdf"
    join(parts[:1], parts[1].path, target, metadata, ())
    assert failures(target, "ua1") == failures(target, "3a") == []
    assert check(target).faults == []


def test_two_sheets_with_one_anchor_are_refused(workdir: Path) -> None:
    document = sample()
    first = document.systems[0]
    twins = replace(first, sheets=(first.sheets[0], replace(first.sheets[1], anchor="t_07")))
    with pytest.raises(RenderFailed, match="sheet T-08: its anchor 't_07' is that of T-07 too"):
        render_report(replace(document, systems=(twins,)), None, workdir=workdir, readings_csv=b"")
    empty = replace(first, sheets=(replace(first.sheets[0], runs=()),))
    with pytest.raises(RenderFailed, match="sheet T-07 holds no run"):
        render_report(replace(document, systems=(empty,)), None, workdir=workdir, readings_csv=b"")


def test_flag_of_a_sheet_that_is_not_there_has_no_link(workdir: Path) -> None:
    document = small()
    system = replace(document.systems[0], flags=(replace(PLANE_FLAG, anchor="gone"),))
    rendered = render_report(replace(document, systems=(system,)), None, workdir=workdir, readings_csv=b"")
    assert PLANE_FLAG.seen in _words(page_texts(rendered.path))
    assert check(rendered.path).faults == []


def test_parts_are_packed_by_pages() -> None:
    assert pack([2] * 7, 10) == [(0, 5), (5, 7)]
    assert pack([1, 30, 1], 10) == [(0, 1), (1, 2), (2, 3)]
    assert pack([], 10) == []
