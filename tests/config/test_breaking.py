"""What `make lint` says of changes of the published contracts: history, declarations, GraphQL."""

import subprocess
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest
from graphql import DocumentNode, build_ast_schema, build_schema, parse

from config.local import breaking
from config.local.breaking import DECLARED, Unusable, check, declarations, graphql_breaks, schema_breaks

ROOT = Path(__file__).resolve().parents[2]
SDL = (ROOT / "schema.graphql").read_text()
OPENAPI = """
openapi: 3.1.1
paths:
  /jobs: {get: {operationId: job_list, responses: {'200': {description: All}}}}
  /sites: {get: {operationId: site_list, responses: {'200': {description: All}}}}
"""
GRAPHQL = 'type Query { "All jobs." jobs(first: Int = 10): String sites: String }'
WITHOUT_SITES = OPENAPI[: OPENAPI.index("  /sites")]
GONE = "openapi.yaml: GET /sites: gone"
LINE = f"v1.1.0 | {GONE} | Sites are told by their jobs.\n"


class Repository:
    """A checkout with the two contracts and their declarations."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self.git("init", "--quiet", "--initial-branch=main")
        self.write(openapi=OPENAPI, graphql=GRAPHQL, declared="# none\n")
        self.commit()

    def git(self, *words: str) -> str:
        identity = ("-c", "user.name=N. Body", "-c", "user.email=n@example.org", "-c", "commit.gpgsign=false")
        done = subprocess.run(
            ["git", *identity, *words], cwd=self.folder, check=True, capture_output=True, text=True
        )
        return done.stdout.strip()

    def write(self, *, openapi: str = "", graphql: str = "", declared: str | None = None) -> None:
        (self.folder / DECLARED).parent.mkdir(parents=True, exist_ok=True)
        for name, text in (("openapi.yaml", openapi), ("schema.graphql", graphql)):
            if text:
                (self.folder / name).write_text(text)
        if declared is not None:
            (self.folder / DECLARED).write_text(declared)

    def commit(self) -> None:
        self.git("add", "--all")
        self.git("commit", "--quiet", "--allow-empty", "--message", "A change")

    def says(self, **environment: str) -> tuple[int, str]:
        return check(self.folder, environment)


@pytest.fixture
def repository(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Repository:
    for name in ("GIT_DIR", "GIT_WORK_TREE", "GIT_INDEX_FILE"):
        monkeypatch.delenv(name, raising=False)
    monkeypatch.setenv("GIT_CEILING_DIRECTORIES", str(tmp_path.parent))
    folder = tmp_path / "checkout"
    folder.mkdir()
    return Repository(folder)


def test_nothing_changed_says_nothing(repository: Repository) -> None:
    assert repository.says() == (0, "")


def test_before_the_first_release_breaks_add_up_since_the_declarations_came(repository: Repository) -> None:
    repository.write(openapi=WITHOUT_SITES)
    code, words = repository.says()
    assert code == 1
    assert f"VERSION | {GONE} | WHY" in words
    repository.commit()
    repository.write(graphql=GRAPHQL + " type More { a: Int }")
    repository.commit()  # the break lies two commits back
    assert repository.says()[0] == 1
    repository.write(declared=LINE)
    assert repository.says() == (0, "")
    repository.commit()
    assert repository.says() == (0, "")


def test_the_newest_release_before_head_is_what_counts(repository: Repository) -> None:
    repository.git("tag", "v1.9.0")
    repository.write(openapi=WITHOUT_SITES, declared=LINE.replace("v1.1.0", "v1.10.0"))
    repository.commit()
    repository.git("tag", "v1.10.0-rc1")
    repository.git("tag", "v1.10.0")
    repository.git("tag", "vague")
    assert repository.says() == (0, ""), "the commit of a release is compared with the release before"
    repository.commit()
    code, words = repository.says()
    assert code == 1
    assert "against release v1.10.0" in words
    assert "is out since v1.10.0, take the line away" in words
    repository.write(declared="# none\n")
    assert repository.says() == (0, "")
    repository.write(openapi=OPENAPI)
    assert repository.says() == (0, ""), "what is new breaks nobody"


def test_a_release_on_another_branch_does_not_count(repository: Repository) -> None:
    repository.git("switch", "--quiet", "--create", "other")
    repository.commit()
    repository.git("tag", "v9.0")
    repository.git("switch", "--quiet", "main")
    repository.write(openapi=WITHOUT_SITES)
    assert "nothing is released yet" in repository.says()[1]


def test_a_chosen_base_is_taken_where_both_part_and_knows_its_own_declarations(
    repository: Repository,
) -> None:
    start = repository.git("rev-parse", "HEAD")
    repository.write(openapi=WITHOUT_SITES, declared=LINE)
    repository.commit()
    assert repository.says(BASE=start) == (0, "")
    assert repository.says(BASE="HEAD") == (0, ""), "the line was there already"
    repository.write(declared=LINE + LINE.replace("/sites", "/jobs"))
    code, words = repository.says(BASE="HEAD")
    assert code == 1
    assert "matches no break, take the line away: openapi.yaml: GET /jobs: gone" in words
    repository.git("switch", "--quiet", "--force-create", "other", "--discard-changes", start)
    assert repository.says(BASE="main") == (0, ""), "main's own break is not this branch's"


def test_a_chosen_base_that_is_none_fails(repository: Repository) -> None:
    with pytest.raises(Unusable, match="no-such-branch"):
        repository.says(BASE="no-such-branch")


def test_a_line_without_its_break_fails(repository: Repository) -> None:
    repository.write(declared=LINE)
    code, words = repository.says()
    assert code == 1
    assert f"matches no break, take the line away: {GONE}" in words


@pytest.mark.parametrize(
    "line",
    ["GET /sites: gone", f"1.1 | {GONE} | A reason here.", f"v1.1 | {GONE} | ", f"v1.1 | {GONE}",
     "v1 |  | a b",
     "v1.1-rc1 | a | b c", f"v1.1 | {GONE} | unexplained"],
)  # fmt: skip
def test_a_line_that_is_none_is_named(line: str) -> None:
    with pytest.raises(Unusable, match="line 3"):
        declarations(f"# words\n\n{line}\n")


def test_a_declaration_may_hold_bars() -> None:
    (one,) = declarations("v2 | schema.graphql: A.b changed type from A | B to C | No longer told apart.")
    assert (one.version, one.what) == ("v2", "schema.graphql: A.b changed type from A | B to C")


def test_a_shallow_clone_says_so_and_passes(repository: Repository, tmp_path: Path) -> None:
    repository.commit()
    subprocess.run(
        ["git", "clone", "--quiet", "--depth=1", repository.folder.as_uri(), str(tmp_path / "shallow")],
        check=True,
    )
    (tmp_path / "shallow" / "openapi.yaml").write_text(WITHOUT_SITES)
    for environment in ({}, {"BASE": "HEAD~1"}):
        code, words = check(tmp_path / "shallow", environment)
        assert code == 0
        assert "shallow clone" in words


def test_without_history_it_says_so_and_passes(
    repository: Repository, monkeypatch: pytest.MonkeyPatch
) -> None:
    subprocess.run(["rm", "-r", str(repository.folder / ".git")], check=True)
    code, words = repository.says()
    assert (code, "there is no history here" in words) == (0, True)
    monkeypatch.setenv("PATH", "/no/such/folder")
    assert repository.says() == (0, "Breaking changes were not looked for: git is not installed.")


def test_a_repository_without_a_commit_says_so_and_passes(tmp_path: Path) -> None:
    (tmp_path / DECLARED).parent.mkdir(parents=True)
    (tmp_path / DECLARED).write_text("")
    subprocess.run(["git", "init", "--quiet"], cwd=tmp_path, check=True)
    assert check(tmp_path, {})[0] == 0


def test_a_contract_that_was_not_published_breaks_nobody(repository: Repository) -> None:
    repository.git("rm", "--quiet", "schema.graphql")
    repository.git("commit", "--quiet", "--amend", "--no-edit")
    repository.write(graphql=GRAPHQL)
    assert repository.says() == (0, "")


def test_a_checkout_below_the_top_of_a_repository_is_compared(repository: Repository, tmp_path: Path) -> None:
    for name in ("openapi.yaml", "schema.graphql", "config"):
        (repository.folder / "below").mkdir(exist_ok=True)
        (repository.folder / name).rename(repository.folder / "below" / name)
    repository.folder /= "below"
    repository.commit()
    assert repository.says() == (0, "")
    repository.write(openapi=WITHOUT_SITES)
    assert GONE in repository.says()[1]


def test_the_command_ends_with_one_and_names_the_reason(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setenv("BASE", "no-such-branch")
    assert breaking.main() == 1
    assert "no-such-branch" in capsys.readouterr().err


def test_the_lint_runs_it() -> None:
    assert "-m config.local.breaking" in (ROOT / "config/local/lint.sh").read_text()


def test_the_declarations_of_the_service_are_well_formed() -> None:
    declarations((ROOT / DECLARED).read_text())


# GraphQL

OLD = """
enum State { OPEN ISSUED }
enum Paper { A4 LETTER }
union Found = Flow | Refused
type Flow { value: Float! }
type Refused { why: String! }
type Other { why: String }
interface Node { id: ID! }
type Job implements Node { id: ID! state: State! found: Found number(short: Boolean = false): String! }
input JobInput { title: String! paper: Paper = A4 note: String }
type Query { job(id: ID!, paper: Paper): Job }
type Mutation { plan(input: JobInput!): Job }
"""
CHANGES = [
    ("Field Job.state was removed", " state: State!", ""),
    ("Job.state changed type from State! to State", "state: State!", "state: State"),
    ("Job.state changed type from State! to String!", "state: State!", "state: String!"),
    ("Argument Query.job(paper:) was removed", ", paper: Paper", ""),
    ("A required argument Query.job(site:) was added", ", paper: Paper", ", paper: Paper, site: ID!"),
    ("Argument Query.job(paper:) has changed type from Paper to Paper!", ", paper: Paper", ", paper: Paper!"),
    ("Enum value Paper.LETTER was removed", "A4 LETTER }", "A4 }"),
    ("Enum value State.VOID was added", "ISSUED }", "ISSUED VOID }"),
    ("Other was added to union type Found", "Flow | Refused", "Flow | Refused | Other"),
    ("Refused was removed from union type Found", "Flow | Refused", "Flow"),
    ("A required field JobInput.site was added", "note: String", "note: String site: ID!"),
    ("Field JobInput.note was removed", " note: String", ""),
    ("JobInput.title changed type", "title: String!", "title: ID!"),
    ("JobInput.paper has changed default", "= A4", "= LETTER"),
    ("Job.number(short:) has changed default", "= false", "= true"),
    ("Job no longer implements interface Node", "type Job implements Node", "type Job"),
    ("There is no mutation any more", "type Query {", "schema { query: Query } type Query {"),
]
HARMLESS = [
    ("enum value taken", "A4 LETTER }", "A4 LETTER A3 }"),
    ("optional argument", ", paper: Paper", ", paper: Paper, size: Int"),
    ("argument no longer required", "(id: ID!", "(id: ID"),
    ("another field", "state: State!", "state: State! title: String"),
    ("never null", "value: Float!", "value: Float! unit: String!"),
    ("optional input", "note: String", "note: String size: Int = 3"),
    ("input no longer required", "title: String!", "title: String"),
    ("another type", "interface Node", "type Site { id: ID! } interface Node"),
    ("words", "type Flow", '"A flow." type Flow'),
    ("no longer null", "job(id: ID!, paper: Paper): Job", "job(id: ID!, paper: Paper): Job!"),
]


@pytest.mark.parametrize(("said", "old", "new"), CHANGES, ids=[change[0] for change in CHANGES])
def test_a_break_of_graphql_is_found(said: str, old: str, new: str) -> None:
    assert OLD.count(old) == 1
    assert any(said in line for line in graphql_breaks(OLD, OLD.replace(old, new)))


@pytest.mark.parametrize(("name", "old", "new"), HARMLESS, ids=[change[0] for change in HARMLESS])
def test_a_harmless_change_of_graphql_passes(name: str, old: str, new: str) -> None:
    assert OLD.count(old) == 1
    assert graphql_breaks(OLD, OLD.replace(old, new)) == []


def test_graphql_of_the_service_against_itself_breaks_nothing() -> None:
    assert graphql_breaks(SDL, SDL) == []


def less(turn: int) -> tuple[list[Any], set[str]]:
    """The schema without one field, or one argument of a field, of each type; and what these are called.

    `turn` says which. A type of one field keeps it.
    """
    definitions, gone = [], set()
    for definition in parse(SDL, no_location=True).definitions:
        fields = [*(getattr(definition, "fields", None) or ())]
        if len(fields) > 1:
            place = turn % len(fields)
            name = f"{definition.name.value}.{fields[place].name.value}"
            arguments = getattr(fields[place], "arguments", None) or ()
            if arguments and turn % 3:
                loses = turn % len(arguments)
                gone.add(f"{name}({arguments[loses].name.value}:)")
                left = (*arguments[:loses], *arguments[loses + 1 :])
                fields[place] = replace(fields[place], arguments=left)
            else:
                gone.add(name)
                del fields[place]
            definition = replace(definition, fields=tuple(fields))
        definitions.append(definition)
    return definitions, gone


@pytest.mark.parametrize("turn", range(6))
def test_each_field_and_argument_that_goes_is_found(turn: int) -> None:
    definitions, gone = less(turn)
    now = build_ast_schema(DocumentNode(definitions=tuple(definitions)), assume_valid_sdl=True)
    lines = schema_breaks(build_schema(SDL), now)
    assert len(gone) > 200
    removed = {
        line.removesuffix(" was removed").split()[-1] for line in lines if line.endswith(" was removed")
    }
    assert gone <= removed
