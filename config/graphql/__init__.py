"""The one GraphQL schema: customers to results in one query, read through the same visibility as REST.

Types stand here because relations run both ways across the apps and imports do not. Each type reads through
`visible`, so nothing reaches a client that REST would not show; there are no generated mutations.
"""

from config.graphql.schema import schema

__all__ = ["schema"]
