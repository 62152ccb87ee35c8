"""Doors to tablets: pairing, signing in on one, ending one."""

from uuid import UUID

from django.shortcuts import get_object_or_404
from drf_spectacular.utils import extend_schema
from rest_framework.request import Request
from rest_framework.response import Response

from jobs import tokens
from jobs.access import Action
from jobs.errors import DomainError, Fault, Invalid
from jobs.http import problem
from jobs.http.door import Door, PublicDoor
from jobs.http.idempotency import ShownOnce
from jobs.http.limits import address_of
from jobs.queries import visible_devices
from jobs.rest import examples as ids
from jobs.rest import serializers_people as shapes
from jobs.rest.examples import sent
from jobs.tenancy.ids import parse_id


class Devices(Door):
    needs = {"GET": Action.ENROL_DEVICE}
    serializer_class = shapes.DeviceOut
    newest_first = True

    @extend_schema(operation_id="device_list", tags=["tablets"], responses=shapes.DeviceOut(many=True))
    def get(self, request: Request) -> Response:
        """Tablets, newest first, also ended ones."""
        self.filters()
        return self.page(visible_devices(self.actor), shapes.DeviceOut)


class DeviceDoor(Door):
    needs = {"GET": Action.ENROL_DEVICE, "DELETE": Action.ENROL_DEVICE}
    serializer_class = shapes.DeviceOut

    @extend_schema(operation_id="device", tags=["tablets"], responses=shapes.DeviceOut)
    def get(self, request: Request, device_id: UUID) -> Response:
        """One tablet."""
        return Response(shapes.DeviceOut(get_object_or_404(visible_devices(self.actor), id=device_id)).data)

    @extend_schema(operation_id="device_revoke", tags=["tablets"], responses={204: None})
    def delete(self, request: Request, device_id: UUID) -> Response:
        """Ends a tablet, and everybody's token on it, at once. What it had not sent stays on it."""
        tokens.revoke_device(self.actor, device_id)
        return Response(status=204)


class PairingCodes(ShownOnce, Door):
    needs = {"POST": Action.ENROL_DEVICE}
    serializer_class = shapes.PairingShown

    @extend_schema(
        operation_id="pairing_start",
        tags=["tablets"],
        request=shapes.PairingIn,
        responses={201: shapes.PairingShown},
        examples=sent("Tablet 3", {"name": "Tablet 3"}),
    )
    def post(self, request: Request) -> Response:
        """Makes a code that enrols one tablet, once and within ten minutes."""
        row, text = tokens.start_pairing(self.actor, device_name=self.read(shapes.PairingIn)["name"])
        context = {"text": text, "company_id": self.actor.company_id}
        return Response(shapes.PairingShown(row, context=context).data, status=201)


class Pair(PublicDoor):
    serializer_class = shapes.PairOut

    @extend_schema(
        operation_id="device_pair",
        examples=sent("As shown at the office", {"company": ids.COMPANY, "code": ids.PAIRING_CODE}),
        tags=["tablets"],
        request=shapes.PairIn,
        responses={201: shapes.PairOut},
        auth=[],
    )
    def post(self, request: Request) -> Response:
        """Enrols this tablet with a code. Its token is shown in this answer only; people sign in with it."""
        given = self.read(shapes.PairIn)
        try:
            company_id = parse_id(given["company"])
        except ValueError:
            raise Invalid(
                "This is not a company's short id.", [Fault("/company", "Copy it as shown with the code.")]
            ) from None
        device, text = tokens.pair_device(company_id, given["code"], address_of(request._request))
        answer = {"device": device.id, "name": device.name, "token": text}
        return Response(shapes.PairOut(answer).data, status=201)


class SignIn(Door):
    needs = {"POST": None}
    serializer_class = shapes.SignInOut

    @extend_schema(
        operation_id="device_sign_in",
        examples=sent("A technician", {"email": ids.EMAIL, "password": ids.WORDS}),
        tags=["tablets"],
        request=shapes.SignInIn,
        responses={201: shapes.SignInOut},
    )
    def post(self, request: Request) -> Response:
        """Signs a person in on the tablet whose token this comes with; good eight days, also offline.

        An earlier token of the same person on this tablet ends. Ten wrong passwords in a quarter of an hour
        are answered 429. Who has a second factor is asked for its code by 403, second-factor-needed; send
        the request again with `code`.
        """
        given = self.read(shapes.SignInIn)
        try:
            row, text = tokens.sign_in_on_device(self.actor, **given, address=address_of(request._request))
        except DomainError as error:  # answered, not raised: what was tried is kept
            return problem.response(error, getattr(request, "request_id", ""))
        answer = {"member": row.member, "token": text, "expires_at": row.expires_at}
        return Response(shapes.SignInOut(answer).data, status=201)


class Renew(Door):
    needs = {"POST": Action.READ}
    serializer_class = shapes.RenewOut

    @extend_schema(operation_id="device_renew", tags=["tablets"], request=None, responses=shapes.RenewOut)
    def post(self, request: Request) -> Response:
        """Makes a person's sign-in on a tablet good for eight more days, at most 90 after the password."""
        return Response(shapes.RenewOut(tokens.renew_on_device(self.actor)).data)


class SignOut(Door):
    needs = {"POST": Action.READ}
    serializer_class = shapes.SignInOut

    @extend_schema(operation_id="device_sign_out", tags=["tablets"], request=None, responses={204: None})
    def post(self, request: Request) -> Response:
        """Ends the token of the person that it comes with."""
        tokens.sign_out_on_device(self.actor)
        return Response(status=204)
