"""Reports rendered once for all tests of this folder."""

from dataclasses import dataclass
from pathlib import Path

import pytest

from reports.document import Document, UnitSystem
from reports.render import RenderedReport, render_report
from tests.render.sample import READINGS, issue
from tests.render.testworld import whole


@dataclass(frozen=True)
class Case:
    """A rendered sample and what it was made from."""

    document: Document
    rendered: RenderedReport
    issued: bool
    paper: str


@pytest.fixture(scope="session")
def issued(tmp_path_factory: pytest.TempPathFactory) -> Case:
    """A4, SI, issued."""
    document = whole()
    folder = tmp_path_factory.mktemp("issued")
    rendered = render_report(document, issue(), workdir=folder, readings_csv=READINGS, paper="A4")
    return Case(document, rendered, True, "A4")


@pytest.fixture(scope="session")
def draft(tmp_path_factory: pytest.TempPathFactory) -> Case:
    """Letter, I-P, not issued."""
    document = whole(UnitSystem.IP)
    folder = tmp_path_factory.mktemp("draft")
    rendered = render_report(document, None, workdir=folder, readings_csv=READINGS, paper="Letter")
    return Case(document, rendered, False, "Letter")


@pytest.fixture(scope="session", params=["A4", "Letter"])
def case(request: pytest.FixtureRequest, issued: Case, draft: Case) -> Case:
    """Both."""
    return issued if request.param == "A4" else draft


@pytest.fixture
def workdir(tmp_path: Path) -> Path:
    """A folder for one rendering."""
    return tmp_path / "work"
