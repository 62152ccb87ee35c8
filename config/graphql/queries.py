"""The root fields of what is read."""

import strawberry
import strawberry_django
from strawberry import relay
from strawberry_django.relay import DjangoCursorConnection

from config.graphql.instruments import Instrument
from config.graphql.methods import MeasuringMethod, measuring_methods
from config.graphql.people import Member
from config.graphql.reports import Revision
from config.graphql.sites import Customer, Job, Site


@strawberry.type
class Query:
    measuring_methods: list[MeasuringMethod] = strawberry.field(
        resolver=measuring_methods, description="What each way of measuring takes."
    )
    node: relay.Node | None = relay.node(description="Anything by its id; null when there is nothing to see.")
    customers: DjangoCursorConnection[Customer] = strawberry_django.connection()
    sites: DjangoCursorConnection[Site] = strawberry_django.connection()
    jobs: DjangoCursorConnection[Job] = strawberry_django.connection()
    instruments: DjangoCursorConnection[Instrument] = strawberry_django.connection()
    members: DjangoCursorConnection[Member] = strawberry_django.connection()
    revisions: DjangoCursorConnection[Revision] = strawberry_django.connection()
