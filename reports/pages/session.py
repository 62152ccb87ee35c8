"""A session opened down to its readings: figure, pictures, budget, instruments with certificates, flags.

It stands here and not with the measurements, because it shows what the report shows, with the same charts.
"""

from typing import Any

from django.utils.translation import gettext

from jobs.models import Quantity
from jobs.pages.rows import quantity_words
from measurements.methods import GRID, METHODS
from measurements.models import Method, Reading, Session
from reports import document as doc
from reports import ledger, material, readings, reviewset, testsheets
from reports.material import Material
from reports.pages import shown
from reports.pages.photos import at_point
from reports.render import charts
from reports.render.figures import Figures
from reports.render.sheet import fact_words
from reports.render.templating import picture
from reports.render.testsheet import part_table
from reports.reviewset import Measured, is_computed
from reports.runs import letters
from reports.sheets import fact_rows, moment_of, steps


def context(session: Session, figures: Figures) -> dict[str, Any]:
    """Everything that the page shows of one session."""
    found = reviewset.load_session(session)
    collected = material.collect(found)
    one = found.measured[0]
    sheet = shown.sheet_of(one, collected) if one.session.content.get("plane") else None
    result, point = one.result, one.session.test_point
    kind = METHODS[session.method]
    budget = ledger.budget(result, point) if result and is_computed(one) else ()
    quantity = ledger.ledger(result, point).quantity if result and is_computed(one) else doc.Quantity.FLOW
    return {
        "one": one,
        "session": session,
        "method": gettext(Method(session.method).label),
        "line": shown.line(one, collected, figures, href=False),
        "refusal": result.refusal if result else "",
        "reason": gettext(ledger.reason(result)) if result and is_computed(one) else "",
        "newer": session.newer,  # type: ignore[attr-defined]
        "history": [
            {"line": line, "session": old, "at": collected.local(old.started_at)}
            for line, old in steps(one, collected, figures)
        ],
        "notes": found.voids.get(session.id, ()),
        "corrected": found.corrections.get(session.id),
        "started": collected.local(session.started_at),
        "finished": collected.local(session.finished_at),
        "received": collected.local(session.received_at),
        "zone": found.job.site.time_zone,
        "sheet": sheet,
        "pictures": shown.session_pictures(sheet, figures) if sheet else {},
        "drawn": drawn(one, collected, figures),
        "budget": shown.budget_rows(budget, quantity, figures),
        "dominating": ledger.dominating(result) if result and is_computed(one) else "",
        "unit": figures.unit(quantity),
        "parts": part_table(table, figures) if result and (table := testsheets.parts(result)) else None,
        "classes": testsheets.classes(result) if result and is_computed(one) else (),
        "told": [*testsheets.told(one, kind), *testsheets.adjusted(one.session)],
        "cautions": [gettext(text) for text in kind.cautions],
        "facts": facts(one, figures),
        "readings": reading_rows(one, collected),
        "sweeps": sweep_rows(one, collected),
        "zeros": zero_rows(one, collected),
        "instruments": instrument_rows(one, collected, figures),
        "flags": [shown.flag(state, None) for state in one.flags],
        "photos": at_point(found.photos, point.id),
    }


def drawn(one: Measured, collected: Material, figures: Figures) -> list[dict[str, Any]]:
    """Pictures of a test or reading that is no traverse."""
    if one.result is None or not is_computed(one) or one.session.content.get("plane"):
        return []
    pictures = charts.pictures_of(testsheets.sheet(one, collected), figures)
    return [{"svg": picture(p.svg), "caption": p.caption, "wide": p.wide} for p in pictures]


def facts(one: Measured, figures: Figures) -> list[tuple[str, str, str]]:
    """All figures that were found, and the air as entered."""
    found = testsheets.figures(one.result) if one.result is not None and is_computed(one) else ()
    rows = [(name, text, gettext("computed")) for name, text in fact_words(found, figures)]
    return rows + [
        (gettext(words), f"{value} {unit}", gettext("as entered"))
        for words, value, unit in fact_rows(one.session)
    ]


def reading_rows(one: Measured, collected: Material) -> list[dict[str, Any]]:
    """Every reading as it was shown, in the order of the traverse."""
    rows: list[Reading] = collected.readings.get(one.session.id, [])
    return [
        {
            "run": row.run,
            "place": _place(one, row),
            "entered": row.entered,
            "unit": row.unit,
            "quantity": quantity_words(row.quantity).lower(),
            "at": collected.local(row.taken_at),
        }
        for row in rows
    ]


def _place(one: Measured, row: Reading) -> str:
    """Where a reading was taken: a point of a grid by letter and number, else in words."""
    kind = METHODS[one.session.method]
    place = kind.place(row.place)
    if place is None or place.line == GRID:
        return f"{letters(row.line)}{row.point}"
    count = f" {row.line}" if place.line else ""
    return f"{gettext(place.words)}{count}" if len(kind.places) > 1 or count else f"{row.run}"


def sweep_rows(one: Measured, collected: Material) -> list[dict[str, Any]]:
    return [
        {
            "run": row.run,
            "line": letters(row.line),
            "duration": f"{row.duration_s:g}",
            "samples": len(row.samples),
            "mean": row.entered or f"{sum(row.samples) / len(row.samples):.3g}",
            "unit": row.unit if row.entered else readings.SI[Quantity(row.quantity)],
            "at": collected.local(row.started_at),
        }
        for row in collected.sweeps.get(one.session.id, [])
    ]


def zero_rows(one: Measured, collected: Material) -> list[dict[str, Any]]:
    return [
        {
            "instrument": collected.key(check["instrument"]),
            "at": collected.local(moment_of(check["at"])),
            "value": check["value"],
            "unit": check["unit"],
        }
        for check in one.session.content.get("zero_checks") or ()
    ]


def instrument_rows(one: Measured, collected: Material, figures: Figures) -> list[dict[str, Any]]:
    """Instruments by use, each with the certificate that corrected it and the certificate's points."""
    held = {tool.id: certificate for tool, certificate in collected.held(one)}
    rows = []
    for use, tool in collected.used(one.session).items():
        certificate = held.get(tool.id)
        shown_as = readings.instrument(tool, [certificate] if certificate else [])
        rows.append(
            {
                "use": use.replace("_", " "),
                "tool": shown_as,
                "certificate": certificate,
                "lapsed": certificate is not None
                and certificate.due_on < collected.local(one.session.started_at).date(),
                "points": [
                    {
                        "reference": figures.with_unit(part.quantity, point.reference),
                        "showed": figures.with_unit(part.quantity, point.as_left),
                        "expanded": shown.spread_words(part.quantity, point.expanded, figures),
                    }
                    for part in shown_as.certificates
                    for point in part.points
                ],
            }
        )
    return rows
