"""What the examples of the OpenAPI document speak of: one company that balances the air of a public library.

An id, serial number or address means the same in every example, so that one answer fits the next question.
"""

from typing import Any

from drf_spectacular.utils import OpenApiExample

CUSTOMER = "01954e00-0000-7000-8000-000000000010"
SITE = "01954e00-0000-7000-8000-000000000020"
ANNEXE = "01954e00-0000-7000-8000-000000000021"
SYSTEM = "01954e00-0000-7000-8000-000000000030"
POINT = "01954e00-0000-7000-8000-000000000040"
"""An outlet, S-1."""
BRANCH = "01954e00-0000-7000-8000-000000000041"
"""A branch's traverse plane, BD-1."""
MANOMETER = "01954e00-0000-7000-8000-000000000050"
SECOND_MANOMETER = "01954e00-0000-7000-8000-000000000051"
HOOD = "01954e00-0000-7000-8000-000000000052"
CERTIFICATE = "01954e00-0000-7000-8000-000000000060"
"""The manometer's."""
MEMBER = "01954e00-0000-7000-8000-000000000070"
"""A technician."""
JOB = "01954e00-0000-7000-8000-000000000080"
PHOTO = "01954e00-0000-7000-8000-000000000090"
RECALL_ITEM = "01954e00-0000-7000-8000-0000000000a0"
INTEGRATION = "01954e00-0000-7000-8000-0000000000b0"
EXPORT = "01954e00-0000-7000-8000-0000000000c0"
# Made by the tablet:
NEW_SESSION = "01954f2a-7c00-7000-8000-0123456789ab"
NEW_PHOTO = "01954f2a-7c00-7000-8000-0123456789ac"
COMPANY = "agku4aaaabyabaaaaaaaaaaaae"
"""The short form of a company's id, as it stands beside a tablet's code."""
COMPANY_NAME = "Northgate Air Balance"
SERIAL = "M-2041"
"""The manometer's."""
EMAIL = "m.okafor@northgate-air.example"
REPORT_ADDRESS = f"https://flow.example.org/check/{COMPANY}/R-2026-0001/x7Gv2bTq9LwK4sHd"
# Shown once, or known to one person only:
PAIRING_CODE = "KQMX-7HD2"
INVITATION = f"{COMPANY}.q7Zr1yXw0cVb8nMk3jHg5fDs"
WORDS = "four words nobody guesses"
PKCS12 = "MIIKQgIBAzCCCfgGCSqGSIb3DQEHAaCCCekEggnlMIIJ4TCC"
"""Its beginning; a whole one has some thousand characters."""


def sent(name: str, value: Any, media_type: str = "application/json") -> list[OpenApiExample]:
    """The example of a body."""
    return [OpenApiExample(name, value, request_only=True, media_type=media_type)]
