"""The schema: its roots, its limits and how rows are fetched."""

import strawberry
from strawberry.extensions import MaxAliasesLimiter, MaxTokensLimiter, QueryDepthLimiter
from strawberry.schema.config import StrawberryConfig
from strawberry_django.optimizer import DjangoOptimizerExtension

from config.graphql.changes import Mutation
from config.graphql.changes.inputs import SCALARS
from config.graphql.queries import Query
from jobs.http.changes import OneChange
from jobs.http.graphql import MAX_ALIASES, MAX_DEPTH, MAX_TOKENS, MOST_A_PAGE, ListCost

schema = strawberry.Schema(
    query=Query,
    mutation=Mutation,
    config=StrawberryConfig(relay_max_results=MOST_A_PAGE, scalar_map=SCALARS),
    extensions=[
        lambda: QueryDepthLimiter(max_depth=MAX_DEPTH),
        lambda: MaxAliasesLimiter(max_alias_count=MAX_ALIASES),
        lambda: MaxTokensLimiter(max_token_count=MAX_TOKENS),
        ListCost,
        OneChange,
        lambda: DjangoOptimizerExtension(prefetch_custom_queryset=True),
    ],
)
