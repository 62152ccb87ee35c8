"""What one GraphQL request may ask for, and documents that were looked at already."""

from collections import Counter, OrderedDict
from collections.abc import Iterator, Mapping
from threading import Lock
from typing import Any

from graphql import (
    DocumentNode,
    FieldNode,
    FragmentDefinitionNode,
    FragmentSpreadNode,
    GraphQLError,
    GraphQLField,
    GraphQLList,
    GraphQLNonNull,
    GraphQLSchema,
    InlineFragmentNode,
    IntValueNode,
    Node,
    OperationDefinitionNode,
    SelectionSetNode,
    VariableNode,
    get_named_type,
)
from strawberry.extensions import SchemaExtension
from strawberry.extensions.max_aliases import create_validator as aliases_at_most
from strawberry.extensions.query_depth_limiter import create_validator as depth_at_most

PAGE = 50
"""What a list gives that is asked without 'first' or 'last'."""
MOST_A_PAGE = 2 * PAGE
MOST_OBJECTS = 20_000
MOST_EXPANDED = 5_000
MOST_REPEATED = 50
"""How often one field may be named in one place: the rule on fields that merge compares each two of them."""
MAX_DEPTH, MAX_ALIASES, MAX_TOKENS = 24, 15, 1_500
FEW = 5
"""How long a list is taken to be that is no connection: the parts of a document."""
RULES = (depth_at_most(MAX_DEPTH, None, None), aliases_at_most(MAX_ALIASES))


class KnownDocuments:
    """Documents that were parsed and found valid, the least used forgotten first.

    They hold no answer and no company's data. A parsed document takes some hundred bytes a letter.
    """

    def __init__(self, letters: int = 300_000, longest: int = 20_000) -> None:
        self.letters, self.longest = letters, longest
        self._held: OrderedDict[tuple[int, str], DocumentNode] = OrderedDict()
        self._length = 0
        self._lock = Lock()

    def __len__(self) -> int:
        return len(self._held)

    @property
    def length(self) -> int:
        """Letters held."""
        return self._length

    def find(self, schema: Any, text: str) -> DocumentNode | None:
        with self._lock:
            found = self._held.get((id(schema), text))
            if found is not None:
                self._held.move_to_end((id(schema), text))
            return found

    def keep(self, schema: Any, text: str, document: DocumentNode) -> None:
        if len(text) > self.longest:
            return
        with self._lock:
            if (id(schema), text) not in self._held:
                self._length += len(text)
            self._held[id(schema), text] = document
            while self._length > self.letters:
                (_, oldest), _ = self._held.popitem(last=False)
                self._length -= len(oldest)


KNOWN = KnownDocuments()


class Limits(SchemaExtension):
    """Refuses a document that is too long, too deep or could fetch too much, before any of it is fetched.

    First one whose fragments would unfold to more than anybody writes: the rules on depth and aliases walk
    every spread, so a few fragments that each spread the next one twice would keep them busy. A document that
    passed is known from then on; only its price, which its variables change, is looked at each time.
    """

    price = 0
    known = False

    def on_operation(self) -> Iterator[None]:
        context = self.execution_context
        context.parse_options["max_tokens"] = MAX_TOKENS
        context.validation_rules = (*context.validation_rules, *RULES)
        yield

    def on_parse(self) -> Iterator[None]:
        context = self.execution_context
        context.graphql_document = KNOWN.find(context.schema, context.query or "")
        self.known = context.graphql_document is not None
        yield
        document = context.graphql_document
        if not self.known and document is not None:
            refuse_endless(document)

    def on_validate(self) -> Iterator[None]:
        context = self.execution_context
        if self.known:
            context.pre_execution_errors = []
        yield
        if not self.known and not context.pre_execution_errors and context.graphql_document is not None:
            KNOWN.keep(context.schema, context.query or "", context.graphql_document)

    def on_execute(self) -> Iterator[None]:
        context = self.execution_context
        if context.graphql_document is not None:
            schema: GraphQLSchema = context.schema._schema  # type: ignore[attr-defined]
            self.price = price(schema, context.graphql_document, context.variables or {})
            if self.price > MOST_OBJECTS:
                raise GraphQLError(
                    f"This query could fetch {self.price} objects, more than {MOST_OBJECTS}. "
                    "Ask for fewer at once with 'first', or in several queries."
                )
        yield

    def get_results(self) -> dict[str, Any]:
        return {"cost": self.price}


def refuse_endless(document: DocumentNode) -> None:
    """Raises GraphQLError for a document that the rules of validation would walk for long."""
    if unfolded(document) > MOST_EXPANDED:
        raise GraphQLError(
            f"This query, with its fragments, is far deeper or longer than {MOST_EXPANDED} fields."
        )
    name, count = most_repeated(document)
    if count > MOST_REPEATED:
        raise GraphQLError(
            f"This query names {name[:80]!r} {count} times in one place, more than {MOST_REPEATED}. "
            "Once will do."
        )


def most_repeated(document: DocumentNode) -> tuple[str, int]:
    """The field named most often in one place, with every fragment put in its; of a document that ends."""
    fragments = fragments_of(document)
    places: dict[tuple[int, str], int] = {}
    counts: Counter[tuple[int, str]] = Counter()

    def walk(chosen: SelectionSetNode | None, at: int) -> None:
        for node in chosen.selections if chosen else ():
            if isinstance(node, FieldNode):
                key = (at, (node.alias or node.name).value)
                counts[key] += 1
                walk(node.selection_set, places.setdefault(key, len(places)))
            elif isinstance(node, FragmentSpreadNode):
                walk(fragments[node.name.value].selection_set, at)
            elif isinstance(node, InlineFragmentNode):
                walk(node.selection_set, at)

    for n, definition in enumerate(document.definitions):
        walk(getattr(definition, "selection_set", None), -1 - n)
    (found, count), *_ = counts.most_common(1) or [((0, ""), 0)]
    return found[1], count


def unfolded(document: DocumentNode) -> float:
    """How many selections a document has with every fragment put in its place; infinite for a circle.

    Raises GraphQLError for a fragment that is not there.
    """
    fragments = fragments_of(document)
    known: dict[str, float] = {}

    def size(chosen: SelectionSetNode | None) -> float:
        return sum(map(one, chosen.selections)) if chosen else 0

    def one(node: Node) -> float:
        if isinstance(node, FragmentSpreadNode):
            return spread(node.name.value)
        return 1 + size(getattr(node, "selection_set", None))

    def spread(name: str) -> float:
        if name not in fragments:
            raise GraphQLError(f"There is no fragment {name[:80]!r} in this query.")
        if name not in known:
            known[name] = float("inf")  # until its size is known: whoever comes back here goes in a circle
            known[name] = 1 + size(fragments[name].selection_set)
        return known[name]

    try:
        return sum(size(getattr(d, "selection_set", None)) for d in document.definitions)
    except RecursionError:
        return float("inf")


def fragments_of(document: DocumentNode) -> dict[str, FragmentDefinitionNode]:
    return {d.name.value: d for d in document.definitions if isinstance(d, FragmentDefinitionNode)}


def price(schema: GraphQLSchema, document: DocumentNode, variables: Mapping[str, Any]) -> int:
    """How many objects the dearest operation of a valid document could fetch.

    A connection counts its page times what each item holds, a list of parts FEW, and a field that says so in
    its metadata what it says there.
    """
    found = _Price(schema, fragments_of(document), variables)
    return max(
        (
            found.of(d.selection_set, schema.get_root_type(d.operation))
            for d in document.definitions
            if isinstance(d, OperationDefinitionNode)
        ),
        default=0,
    )


class _Price:
    def __init__(
        self,
        schema: GraphQLSchema,
        fragments: Mapping[str, FragmentDefinitionNode],
        variables: Mapping[str, Any],
    ) -> None:
        self.schema, self.fragments, self.variables = schema, fragments, variables

    def of(self, chosen: SelectionSetNode | None, kind: Any) -> int:
        """Of a selection on a type."""
        return sum(self.one(node, kind) for node in chosen.selections) if chosen else 0

    def one(self, node: Node, kind: Any) -> int:
        if isinstance(node, FieldNode):
            field = getattr(kind, "fields", {}).get(node.name.value)
            return self.field(node, field) if field is not None else 0  # none: introspection
        if isinstance(node, FragmentSpreadNode):
            fragment = self.fragments[node.name.value]
            return self.of(fragment.selection_set, self.schema.get_type(fragment.type_condition.name.value))
        if isinstance(node, InlineFragmentNode):
            on = node.type_condition
            return self.of(node.selection_set, self.schema.get_type(on.name.value) if on else kind)
        return 0

    def field(self, node: FieldNode, field: GraphQLField) -> int:
        told = said_price(field)
        if node.selection_set is None:
            return told
        kind: Any = get_named_type(field.type)
        inner = self.of(node.selection_set, kind)
        if is_connection(field):
            return self.page(node) * (1 + inner)
        if node.name.value in ("edges", "node", "pageInfo"):
            return inner
        return told + (FEW * (1 + inner) if _is_list(field.type) else 1 + inner)

    def page(self, node: FieldNode) -> int:
        """How many items a connection is asked for; one that will be refused counts as the most."""
        for argument in node.arguments or ():
            if argument.name.value in ("first", "last"):
                value: Any = None
                if isinstance(argument.value, IntValueNode):
                    value = int(argument.value.value)
                elif isinstance(argument.value, VariableNode):
                    value = self.variables.get(argument.value.name.value)
                return value if isinstance(value, int) and value > 0 else MOST_A_PAGE
        return PAGE


def said_price(field: GraphQLField) -> int:
    """What a field says in its metadata that it costs."""
    definition = field.extensions.get("strawberry-definition")
    return int(definition.metadata.get("price", 0)) if definition is not None else 0


def is_connection(field: GraphQLField) -> bool:
    return str(get_named_type(field.type)).endswith("Connection")


def _is_list(kind: Any) -> bool:
    while isinstance(kind, GraphQLNonNull):
        kind = kind.of_type
    return isinstance(kind, GraphQLList)
