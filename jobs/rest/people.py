"""Doors to oneself, members and invitations."""

from uuid import UUID

from django.http import HttpRequest
from django.shortcuts import get_object_or_404
from drf_spectacular.utils import extend_schema
from rest_framework.request import Request
from rest_framework.response import Response

from jobs import people, signins
from jobs.access import Action
from jobs.http.door import Door, PublicDoor, seen_version, tagged
from jobs.http.idempotency import Repeatable
from jobs.http.limits import address_of
from jobs.models import Company, Member, Role
from jobs.queries import visible_invitations, visible_members
from jobs.rest import examples as ids
from jobs.rest import serializers_people as shapes
from jobs.rest.answers import created, filter_parameters
from jobs.rest.examples import sent
from jobs.rest.fields import Known, matching, yes_or_no

MEMBER_FILTERS: Known = {
    "active": ("active", yes_or_no),
    "role": ("roles__contains", lambda text: [Role(text).value]),
}
INVITATION_EXAMPLE = {"email": ids.EMAIL, "name": "M. Okafor", "roles": ["technician"]}


class Me(Door):
    needs = {"GET": None, "PATCH": Action.READ}
    serializer_class = shapes.MeOut

    @extend_schema(operation_id="me", tags=["people"], responses=shapes.MeOut)
    def get(self, request: Request) -> Response:
        """Who asks, for which company, and what they may do. Also for a tablet nobody is signed in on."""
        member = Member.objects.filter(id=self.actor.member_id).first() if self.actor.member_id else None
        told = shapes.MeOut(shapes.me(self.actor, Company.objects.get(), member)).data
        return tagged(told, member.version) if member else Response(told)

    @extend_schema(
        operation_id="me_change",
        tags=["people"],
        request=shapes.OwnSettingsIn,
        responses=shapes.MemberOut,
        examples=sent("Inches and cfm", {"unit_system": "IP"}),
    )
    def patch(self, request: Request) -> Response:
        """Changes one's own settings. For people only: 403 for a key or a tablet nobody is signed in on."""
        given = self.read(shapes.OwnSettingsIn)
        member = people.change_own(self.actor, seen_version(request), **given)
        return tagged(shapes.MemberOut(member).data, member.version)


class OwnSignIns(Door):
    needs = {"GET": Action.READ, "DELETE": Action.READ}
    serializer_class = shapes.SignInList

    @extend_schema(operation_id="sign_in_list", tags=["people"], responses=shapes.SignInList)
    def get(self, request: Request) -> Response:
        """Where oneself is signed in: browsers and tablets, newest first. For people only."""
        self.filters()
        return Response(
            shapes.SignInList({"sign_ins": signins.of_actor(self.actor, here(request._request))}).data
        )

    @extend_schema(operation_id="sign_in_end_others", tags=["people"], responses={204: None})
    def delete(self, request: Request) -> Response:
        """Ends all of one's own sign-ins but the one that asks."""
        signins.end_others(self.actor, here(request._request))
        return Response(status=204)


class OwnSignIn(Door):
    needs = {"DELETE": Action.READ}
    serializer_class = shapes.SignInList

    @extend_schema(operation_id="sign_in_end", tags=["people"], responses={204: None})
    def delete(self, request: Request, sign_in_id: UUID) -> Response:
        """Ends one of one's own sign-ins, at once."""
        signins.end_own(self.actor, sign_in_id)
        return Response(status=204)


class MemberSignIns(Door):
    needs = {"GET": Action.MANAGE_PEOPLE, "DELETE": Action.MANAGE_PEOPLE}
    serializer_class = shapes.SignInList

    @extend_schema(operation_id="member_sign_in_list", tags=["people"], responses=shapes.SignInList)
    def get(self, request: Request, member_id: UUID) -> Response:
        """Where a person is signed in in this company."""
        self.filters()
        return Response(shapes.SignInList({"sign_ins": signins.of_member(self.actor, member_id)}).data)

    @extend_schema(operation_id="member_sign_out", tags=["people"], responses={204: None})
    def delete(self, request: Request, member_id: UUID) -> Response:
        """Ends all sign-ins of a person in this company, at once."""
        signins.end_of_member(self.actor, member_id)
        return Response(status=204)


def here(request: HttpRequest) -> str:
    """The sign-in that a request with a session came in."""
    actor = request.actor  # type: ignore[attr-defined]
    return "" if actor.token_id else str(request.session.get(signins.SESSION_KEY, ""))


class Members(Door):
    needs = {"GET": Action.READ}
    serializer_class = shapes.MemberOut

    @extend_schema(
        operation_id="member_list",
        tags=["people"],
        parameters=filter_parameters(active="true or false.", role=f"One of {', '.join(Role.values)}."),
        responses=shapes.MemberOut(many=True),
    )
    def get(self, request: Request) -> Response:
        """Everybody of the company, also those who left."""
        rows = matching(visible_members(self.actor), self.filters(*MEMBER_FILTERS), MEMBER_FILTERS)
        return self.page(rows, shapes.MemberOut)


class MemberDoor(Door):
    needs = {"GET": Action.READ, "PATCH": Action.MANAGE_PEOPLE}
    serializer_class = shapes.MemberOut

    @extend_schema(operation_id="member", tags=["people"], responses=shapes.MemberOut)
    def get(self, request: Request, member_id: UUID) -> Response:
        """One person."""
        member = get_object_or_404(visible_members(self.actor), id=member_id)
        return tagged(shapes.MemberOut(member).data, member.version)

    @extend_schema(
        operation_id="member_change",
        tags=["people"],
        request=shapes.MemberIn,
        responses=shapes.MemberOut,
        examples=sent("Leaves", {"active": False}),
    )
    def patch(self, request: Request, member_id: UUID) -> Response:
        """Changes name, roles, units or whether somebody works here; takes effect at once.

        A company keeps at least one active owner (409 otherwise).
        """
        change = people.MemberChange(**self.read(shapes.MemberIn))
        member = people.change_member(self.actor, member_id, seen_version(request), change)
        return tagged(shapes.MemberOut(member).data, member.version)


class Invitations(Repeatable, Door):
    needs = {"GET": Action.MANAGE_PEOPLE, "POST": Action.MANAGE_PEOPLE}
    serializer_class = shapes.InvitationOut
    newest_first = True

    @extend_schema(operation_id="invitation_list", tags=["people"], responses=shapes.InvitationOut(many=True))
    def get(self, request: Request) -> Response:
        """Invitations, newest first, also accepted and ended ones."""
        self.filters()
        return self.page(visible_invitations(self.actor), shapes.InvitationOut)

    @extend_schema(
        operation_id="invite",
        tags=["people"],
        request=shapes.InvitationIn,
        responses={201: shapes.InvitationOut},
        examples=sent("A technician", INVITATION_EXAMPLE),
    )
    def post(self, request: Request) -> Response:
        """Invites somebody by mail. An earlier open invitation to the same e-mail ends."""
        invitation = people.invite(self.actor, **self.read(shapes.InvitationIn))
        return created("invitation", invitation, shapes.InvitationOut)


class InvitationDoor(Door):
    needs = {"GET": Action.MANAGE_PEOPLE, "DELETE": Action.MANAGE_PEOPLE}
    serializer_class = shapes.InvitationOut

    @extend_schema(operation_id="invitation", tags=["people"], responses=shapes.InvitationOut)
    def get(self, request: Request, invitation_id: UUID) -> Response:
        """One invitation."""
        row = get_object_or_404(visible_invitations(self.actor), id=invitation_id)
        return Response(shapes.InvitationOut(row).data)

    @extend_schema(operation_id="invitation_withdraw", tags=["people"], responses={204: None})
    def delete(self, request: Request, invitation_id: UUID) -> Response:
        """Ends an open invitation."""
        people.withdraw_invitation(self.actor, invitation_id)
        return Response(status=204)


class AcceptInvitation(PublicDoor):
    serializer_class = shapes.AcceptOut

    @extend_schema(
        operation_id="invitation_accept",
        examples=sent("From the mail", {"token": ids.INVITATION, "password": ids.WORDS}),
        tags=["people"],
        request=shapes.AcceptIn,
        responses={201: shapes.AcceptOut},
        auth=[],
    )
    def post(self, request: Request) -> Response:
        """Joins the company that invited, with the token from the mail. Good once."""
        given = self.read(shapes.AcceptIn)
        _, member = people.accept_invitation(**given, address=address_of(request._request))
        return Response(shapes.AcceptOut(member).data, status=201)
