"""Thin doors to the company's signing certificate."""

import base64
from typing import Any

from django.conf import settings
from drf_spectacular.utils import extend_schema
from rest_framework import serializers
from rest_framework.request import Request
from rest_framework.response import Response

from jobs.access import Action
from jobs.errors import Fault, Invalid
from jobs.http.door import Door, Strict
from jobs.http.idempotency import Repeatable
from jobs.rest import examples as ids
from reports import signers
from reports.models import SigningCertificate
from reports.sign import MOST_PKCS12


class SigningInput(Strict):
    """A PKCS#12 file in base64 and the password that opens it; the password is not kept."""

    file = serializers.CharField(max_length=MOST_PKCS12 * 4 // 3 + 4)
    password = serializers.CharField(max_length=200, allow_blank=True, trim_whitespace=False, write_only=True)


class SigningShape(serializers.ModelSerializer[SigningCertificate]):
    """The company's certificate. Its private key never leaves."""

    by = serializers.CharField(source="member.name")

    class Meta:
        model = SigningCertificate
        fields = ("id", "subject", "issuer", "serial", "fingerprint", "valid_from", "valid_to", "by", "at")


class SigningState(serializers.Serializer):
    """Who signs the company's reports: itself, this installation, or nobody."""

    certificate = SigningShape(allow_null=True, help_text="The company's own; null when it has none.")
    signed_by = serializers.ChoiceField(choices=["company", "installation", "nobody"])
    time_stamped = serializers.BooleanField(help_text="Whether a time server is asked.")


class Signing(Repeatable, Door):
    """With what the company signs."""

    needs = {"GET": Action.MANAGE_COMPANY, "POST": Action.MANAGE_COMPANY, "DELETE": Action.MANAGE_COMPANY}
    serializer_class = SigningInput
    pagination_class: Any = None

    @extend_schema(operation_id="signing_certificate", tags=["company"], responses=SigningState)
    def get(self, request: Request) -> Response:
        """The company's certificate in force, if it has one, and who signs now."""
        self.filters()
        found = signers.identity()
        who = "nobody" if found is None else "company" if found.own else "installation"
        state = {"certificate": signers.newest(), "signed_by": who, "time_stamped": bool(settings.TSA_URL)}
        return Response(SigningState(state).data)

    @extend_schema(
        operation_id="signing_certificate_enter",
        examples=ids.sent("From the company's authority", {"file": ids.PKCS12, "password": ids.WORDS}),
        tags=["company"],
        request=SigningInput,
        responses={201: SigningShape},
    )
    def post(self, request: Request) -> Response:
        """Signs with it from now on. Refused: expired, a weak key, not for signatures, a wrong password."""
        given = self.read(SigningInput)
        row = signers.enter(self.actor, file=read_file(given), password=given["password"])
        return Response(SigningShape(row).data, status=201)

    @extend_schema(operation_id="signing_certificate_withdraw", tags=["company"], responses={204: None})
    def delete(self, request: Request) -> Response:
        """Signs with the company's certificate no more."""
        signers.withdraw(self.actor)
        return Response(status=204)


def read_file(given: dict[str, Any]) -> bytes:
    """The file that an input holds in base64. Raises Invalid."""
    try:
        return base64.b64decode(given["file"], validate=True)
    except ValueError:  # also for what is no ASCII
        raise Invalid("The file must be base64.", [Fault("/file", "is no base64")]) from None
