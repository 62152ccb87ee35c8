"""That a change of openapi.yaml or schema.graphql breaks nobody who built on what was published.

    python -m config.local.breaking

Published is the newest release: a tag such as v1.4.0 that HEAD came after. Before the first release it is
what stood when config/local/breaking.txt came, so that breaks add up until then. BASE=REVISION names another
one. Breaks that are meant stand in config/local/breaking.txt. Ends with 1 if a break is not declared, or a
declaration is wrong. Without history (no git, a shallow clone) there is nothing to compare with: it says so.
"""

import os
import re
import subprocess
import sys
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from pathlib import Path

import yaml
from graphql import (
    DangerousChangeType,
    GraphQLInterfaceType,
    GraphQLObjectType,
    GraphQLSchema,
    build_schema,
    find_breaking_changes,
    find_dangerous_changes,
    get_named_type,
)

from config.local.openapi_breaks import breaking_changes

ROOT = Path(__file__).parents[2]
DECLARED = "config/local/breaking.txt"
_RELEASE = re.compile(r"v(\d+(?:\.\d+)*)")
# graphql-core calls these dangerous; enumerations, unions and defaults are promises, as in openapi.yaml.
_ALSO = {
    DangerousChangeType.VALUE_ADDED_TO_ENUM,
    DangerousChangeType.TYPE_ADDED_TO_UNION,
    DangerousChangeType.ARG_DEFAULT_VALUE_CHANGE,
    DangerousChangeType.INPUT_FIELD_DEFAULT_VALUE_CHANGE,
}


class NothingToCompare(Exception):
    """There is no history to find the published state in."""


class Unusable(Exception):
    """The check was asked for something that cannot be."""


@dataclass(frozen=True)
class Published:
    """The state that others build on; `version` is empty before the first release."""

    revision: str
    words: str
    version: tuple[int, ...] = ()
    chosen: bool = False


@dataclass(frozen=True)
class Declaration:
    """A break that is meant."""

    version: str
    what: str
    why: str


def graphql_breaks(old: str, new: str) -> list[str]:
    """What breaks between two texts in GraphQL's schema language."""
    return schema_breaks(build_schema(old), build_schema(new))


def schema_breaks(before: GraphQLSchema, now: GraphQLSchema) -> list[str]:
    """What breaks between two schemas."""
    found = {change.description.rstrip(".") for change in find_breaking_changes(before, now)}
    answered = _answered(before)
    for change in find_dangerous_changes(before, now):
        grown = re.match(r"Enum value (\w+)\.", change.description)
        if change.type in _ALSO and (not grown or grown[1] in answered):
            found.add(change.description.rstrip("."))
    for kind in ("query", "mutation", "subscription"):
        if getattr(before, f"{kind}_type") and not getattr(now, f"{kind}_type"):
            found.add(f"There is no {kind} any more")
    return sorted(found)


def _answered(schema: GraphQLSchema) -> set[str]:
    """Names of the types that answers hold."""
    holders = (
        t for t in schema.type_map.values() if isinstance(t, (GraphQLObjectType, GraphQLInterfaceType))
    )
    return {get_named_type(field.type).name for holder in holders for field in holder.fields.values()}


def openapi_breaks(old: str, new: str) -> list[str]:
    """What breaks between two texts of OpenAPI documents."""
    return breaking_changes(*(yaml.load(text, Loader=yaml.CSafeLoader) for text in (old, new)))


CONTRACTS: dict[str, Callable[[str, str], list[str]]] = {
    "openapi.yaml": openapi_breaks,
    "schema.graphql": graphql_breaks,
}


def declarations(text: str) -> list[Declaration]:
    """The lines of breaking.txt. Raises Unusable at the first that is none."""
    found = []
    for number, line in enumerate(text.splitlines(), 1):
        if not line.strip() or line.startswith("#"):
            continue
        version, _, rest = line.partition(" | ")
        what, _, why = rest.rpartition(" | ")
        if not _RELEASE.fullmatch(version) or not what or len(why.split()) < 2:
            raise Unusable(f"{DECLARED}, line {number}: is not `vN.N | BREAK | WHY`: {line}")
        found.append(Declaration(version, what, why))
    return found


@dataclass(frozen=True)
class History:
    """What git knows of a checkout."""

    folder: Path

    def git(self, *words: str) -> str:
        """What git answers. Raises NothingToCompare without git, Unusable when it refuses."""
        try:
            done = subprocess.run(["git", *words], cwd=self.folder, capture_output=True, check=False)
        except FileNotFoundError:
            raise NothingToCompare("git is not installed") from None
        if done.returncode:
            raise Unusable(f"git {' '.join(words)}: {done.stderr.decode(errors='replace').strip()}")
        return done.stdout.decode()

    def published(self, base: str) -> Published:
        """The state that others build on. `base`: a revision to use instead; empty for none."""
        try:
            shallow = self.git("rev-parse", "--is-shallow-repository").strip() == "true"
            self.git("rev-parse", "--verify", "HEAD")
        except Unusable as said:
            raise NothingToCompare(f"there is no history here ({said})") from None
        if base:
            return self._chosen(base, shallow)
        tags = self.git(
            "tag", "--merged", "HEAD", "--no-contains", "HEAD", "--sort=-version:refname", "--list", "v*"
        )
        for tag in tags.split():
            if release := _RELEASE.fullmatch(tag):
                return Published(tag, f"release {tag}", _numbers(release[1]))
        if shallow:
            raise NothingToCompare(
                "this is a shallow clone without the tag of a release; fetch more, or set BASE"
            )
        came = self.git("log", "--diff-filter=A", "--format=%H", "-1", "--", DECLARED).strip() or "HEAD"
        return Published(came, "what stood when breaking.txt came; nothing is released yet")

    def _chosen(self, base: str, shallow: bool) -> Published:
        try:
            return Published(self.git("merge-base", base, "HEAD").strip(), f"BASE={base}", chosen=True)
        except Unusable as said:
            if shallow:
                raise NothingToCompare(f"this is a shallow clone, and {said}") from None
            raise

    def text(self, revision: str, name: str) -> str | None:
        """A file as it stood; None if it did not stand."""
        if not self.git("ls-tree", "--name-only", revision, "--", name):
            return None
        return self.git("show", f"{revision}:./{name}")


def _numbers(release: str) -> tuple[int, ...]:
    return tuple(int(part) for part in release.split("."))


def breaks(history: History, published: Published) -> list[str]:
    """What the files as they lie there break, each named after its file."""
    found = []
    for name, compare in CONTRACTS.items():
        before = history.text(published.revision, name)
        if before is not None:
            now = (history.folder / name).read_text()
            found += [f"{name}: {said}" for said in compare(before, now)]
    return found


def faults(
    found: list[str], declared: list[Declaration], published: Published, known: set[Declaration]
) -> list[str]:
    """What has to be put right. `known`: declarations that a chosen base holds already."""
    said = {one.what for one in declared}
    wrong = [f"breaks: VERSION | {what} | WHY" for what in found if what not in said]
    for one in declared:
        if published.version and _numbers(one.version[1:]) <= published.version:
            wrong.append(f"is out since {one.version}, take the line away: {one.what}")
        elif one.what not in found and one not in known:
            wrong.append(f"matches no break, take the line away: {one.what}")
    return wrong


def check(folder: Path, environment: Mapping[str, str]) -> tuple[int, str]:
    """The exit code and what to say."""
    history = History(folder)
    declared = declarations((folder / DECLARED).read_text())
    try:
        published = history.published(environment.get("BASE", ""))
    except NothingToCompare as why:
        return 0, f"Breaking changes were not looked for: {why}."
    known = history.text(published.revision, DECLARED) if published.chosen else None
    found = breaks(history, published)
    wrong = faults(found, declared, published, set(declarations(known or "")))
    if not wrong:
        return 0, ""
    return 1, "\n".join(
        (
            f"openapi.yaml and schema.graphql against {published.words}:",
            *(f"  {line}" for line in wrong),
            "Who built on it would be broken: keep the old beside the new, or if the break is meant, add its"
            f" line to {DECLARED}.",
        )
    )


def main() -> int:
    try:
        code, words = check(ROOT, os.environ)
    except Unusable as said:
        code, words = 1, f"Breaking changes could not be looked for: {said}"
    if words:
        print(words, file=sys.stderr)
    return code


if __name__ == "__main__":
    sys.exit(main())
