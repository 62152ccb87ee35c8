"""Doors of customers, sites, systems and test points."""

from uuid import UUID

from django.shortcuts import get_object_or_404
from drf_spectacular.utils import extend_schema
from rest_framework.request import Request
from rest_framework.response import Response

from jobs import register
from jobs.access import Action
from jobs.http.door import Door, seen_version, tagged
from jobs.http.idempotency import Repeatable
from jobs.models import PointKind
from jobs.queries import visible_customers, visible_points, visible_sites, visible_systems
from jobs.rest import examples as ids
from jobs.rest import register_shapes as shapes
from jobs.rest.answers import created, filter_parameters
from jobs.rest.examples import sent
from jobs.rest.fields import Known, matching, one_of, text, uuid

LIST = {"GET": Action.READ, "POST": Action.PLAN}
ONE = {"GET": Action.READ, "PATCH": Action.PLAN}
CUSTOMER_FILTERS: Known = {"name": ("name", text)}
SITE_FILTERS: Known = {"customer": ("customer_id", uuid), "name": ("name", text)}
SYSTEM_FILTERS: Known = {"site": ("site_id", uuid), "tag": ("tag", text)}
POINT_FILTERS: Known = {
    "system": ("system_id", uuid),
    "site": ("system__site_id", uuid),
    "kind": ("kind", one_of(PointKind)),
    "tag": ("tag", text),
}


class Customers(Repeatable, Door):
    needs = LIST
    serializer_class = shapes.CustomerOut

    @extend_schema(
        operation_id="customer_list",
        tags=["register"],
        parameters=filter_parameters(name="Only the one of this name."),
        responses=shapes.CustomerOut(many=True),
    )
    def get(self, request: Request) -> Response:
        """All customers, oldest first."""
        rows = matching(visible_customers(self.actor), self.filters(*CUSTOMER_FILTERS), CUSTOMER_FILTERS)
        return self.page(rows, shapes.CustomerOut)

    @extend_schema(
        operation_id="customer_add",
        tags=["register"],
        request=shapes.CustomerIn,
        responses={201: shapes.CustomerOut},
        examples=sent("A parish", {"name": "Parish of Alder Green"}),
    )
    def post(self, request: Request) -> Response:
        """Add a customer; names differ within the company."""
        row = register.add_customer(self.actor, **self.read(shapes.CustomerIn))
        return created("customer", row, shapes.CustomerOut)


class Customer(Door):
    needs = ONE
    serializer_class = shapes.CustomerOut

    @extend_schema(operation_id="customer_read", tags=["register"], responses=shapes.CustomerOut)
    def get(self, request: Request, customer_id: UUID) -> Response:
        """One customer."""
        row = get_object_or_404(visible_customers(self.actor), id=customer_id)
        return tagged(shapes.CustomerOut(row).data, row.version)

    @extend_schema(
        operation_id="customer_change",
        examples=sent(
            "Whom to ask",
            {"contact_name": "Buildings office", "contact_email": "buildings@elmbridge.example"},
        ),
        tags=["register"],
        request=shapes.CustomerIn,
        responses=shapes.CustomerOut,
    )
    def patch(self, request: Request, customer_id: UUID) -> Response:
        """Change some fields."""
        seen, changes = seen_version(request), self.read(shapes.CustomerIn, partial=True)
        row = register.change_customer(self.actor, customer_id, seen=seen, changes=changes)
        return tagged(shapes.CustomerOut(row).data, row.version)


class Sites(Repeatable, Door):
    needs = LIST
    serializer_class = shapes.SiteOut

    @extend_schema(
        operation_id="site_list",
        tags=["register"],
        parameters=filter_parameters(
            customer="Only those of one customer, by id.", name="Only those of this name."
        ),
        responses=shapes.SiteOut(many=True),
    )
    def get(self, request: Request) -> Response:
        """All sites, oldest first."""
        rows = matching(visible_sites(self.actor), self.filters(*SITE_FILTERS), SITE_FILTERS)
        return self.page(rows, shapes.SiteOut)

    @extend_schema(
        operation_id="site_add",
        tags=["register"],
        request=shapes.SiteIn,
        responses={201: shapes.SiteOut},
        examples=sent(
            "A library",
            {
                "customer": ids.CUSTOMER,
                "name": "Reading rooms",
                "elevation": {"value": "120", "unit": "m"},
                "time_zone": "Europe/London",
            },
        ),
    )
    def post(self, request: Request) -> Response:
        """Add a site of a customer."""
        data = self.read(shapes.SiteIn)
        owner = data.pop("customer")
        row = register.add_site(self.actor, customer_id=owner, **shapes.site_fields(data))
        return created("site", row, shapes.SiteOut)


class Site(Door):
    needs = ONE
    serializer_class = shapes.SiteOut

    @extend_schema(operation_id="site_read", tags=["register"], responses=shapes.SiteOut)
    def get(self, request: Request, site_id: UUID) -> Response:
        """One site."""
        row = get_object_or_404(visible_sites(self.actor), id=site_id)
        return tagged(shapes.SiteOut(row).data, row.version)

    @extend_schema(
        operation_id="site_change",
        examples=sent(
            "Moved on the map",
            {"address": "4 Market Place, Elmbridge", "elevation": {"value": "118", "unit": "m"}},
        ),
        tags=["register"],
        request=shapes.SiteChange,
        responses=shapes.SiteOut,
    )
    def patch(self, request: Request, site_id: UUID) -> Response:
        """Change some fields."""
        seen, changes = seen_version(request), self.read(shapes.SiteChange, partial=True)
        row = register.change_site(self.actor, site_id, seen=seen, changes=shapes.site_fields(changes))
        return tagged(shapes.SiteOut(row).data, row.version)


class Systems(Repeatable, Door):
    needs = LIST
    serializer_class = shapes.SystemOut

    @extend_schema(
        operation_id="system_list",
        tags=["register"],
        parameters=filter_parameters(site="Only those of one site, by id.", tag="Only those with this tag."),
        responses=shapes.SystemOut(many=True),
    )
    def get(self, request: Request) -> Response:
        """All systems, oldest first."""
        rows = matching(visible_systems(self.actor), self.filters(*SYSTEM_FILTERS), SYSTEM_FILTERS)
        return self.page(rows, shapes.SystemOut)

    @extend_schema(
        operation_id="system_add",
        tags=["register"],
        request=shapes.SystemIn,
        responses={201: shapes.SystemOut},
        examples=sent(
            "A supply system", {"site": ids.SITE, "tag": "AHU-2", "name": "Archive supply", "kind": "supply"}
        ),
    )
    def post(self, request: Request) -> Response:
        """Add a system; tags differ within a site."""
        data = self.read(shapes.SystemIn)
        row = register.add_system(self.actor, site_id=data.pop("site"), **data)
        return created("system", row, shapes.SystemOut)


class System(Door):
    needs = ONE
    serializer_class = shapes.SystemOut

    @extend_schema(operation_id="system_read", tags=["register"], responses=shapes.SystemOut)
    def get(self, request: Request, system_id: UUID) -> Response:
        """One system."""
        row = get_object_or_404(visible_systems(self.actor), id=system_id)
        return tagged(shapes.SystemOut(row).data, row.version)

    @extend_schema(
        operation_id="system_change",
        examples=sent("Renamed", {"name": "Reading rooms and hall supply"}),
        tags=["register"],
        request=shapes.SystemChange,
        responses=shapes.SystemOut,
    )
    def patch(self, request: Request, system_id: UUID) -> Response:
        """Change some fields."""
        seen, changes = seen_version(request), self.read(shapes.SystemChange, partial=True)
        row = register.change_system(self.actor, system_id, seen=seen, changes=changes)
        return tagged(shapes.SystemOut(row).data, row.version)


class Points(Repeatable, Door):
    needs = LIST
    serializer_class = shapes.PointOut

    @extend_schema(
        operation_id="point_list",
        tags=["register"],
        parameters=filter_parameters(
            system="Only those of one system, by id.",
            site="Only those of one site, by id.",
            kind=f"Only one kind: {', '.join(PointKind.values)}.",
            tag="Only those with this tag.",
        ),
        responses=shapes.PointOut(many=True),
    )
    def get(self, request: Request) -> Response:
        """All test points, oldest first."""
        rows = matching(visible_points(self.actor), self.filters(*POINT_FILTERS), POINT_FILTERS)
        return self.page(rows, shapes.PointOut)

    @extend_schema(
        operation_id="point_add",
        tags=["register"],
        request=shapes.PointIn,
        responses={201: shapes.PointOut},
        examples=sent(
            "A traverse plane",
            {
                "system": ids.SYSTEM,
                "tag": "MD-2",
                "kind": "plane",
                "shape": "rectangular",
                "width": {"value": "500", "unit": "mm"},
                "height": {"value": "400", "unit": "mm"},
                "design_flow": {"value": "900", "unit": "L/s"},
                "design_basis": "actual",
            },
        ),
    )
    def post(self, request: Request) -> Response:
        """Add a test point; tags differ within a system."""
        data = self.read(shapes.PointIn)
        system = data.pop("system")
        row = register.add_point(self.actor, system_id=system, **shapes.point_fields(data))
        return created("point", row, shapes.PointOut)


class Point(Door):
    needs = ONE
    serializer_class = shapes.PointOut

    @extend_schema(operation_id="point_read", tags=["register"], responses=shapes.PointOut)
    def get(self, request: Request, point_id: UUID) -> Response:
        """One test point."""
        row = get_object_or_404(visible_points(self.actor), id=point_id)
        return tagged(shapes.PointOut(row).data, row.version)

    @extend_schema(
        operation_id="point_change",
        examples=sent(
            "A design that changed",
            {"design_flow": {"value": "85", "unit": "L/s"}, "tolerance_below": 0.05, "tolerance_above": 0.1},
        ),
        tags=["register"],
        request=shapes.PointChange,
        responses=shapes.PointOut,
    )
    def patch(self, request: Request, point_id: UUID) -> Response:
        """Change some fields; null empties one."""
        seen, changes = seen_version(request), self.read(shapes.PointChange, partial=True)
        row = register.change_point(self.actor, point_id, seen=seen, changes=shapes.point_fields(changes))
        return tagged(shapes.PointOut(row).data, row.version)
