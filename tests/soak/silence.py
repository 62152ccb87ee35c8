"""What an answer must never hold: the inside of the service."""

import re

from django.apps import apps

_TABLES = sorted({model._meta.db_table for model in apps.get_models()}, key=len, reverse=True)
_INSIDE = re.compile(
    r"Traceback \(most recent|File \"[^\"]+\.py|site-packages|\.py\b\", line|<class '|<function |object at 0x"
    r"|psycopg|\bSQLSTATE\b|\b(?-i:SELECT)\b.{1,200}\b(?-i:FROM)\b|INSERT INTO |UPDATE \w+ SET|DETAIL:"
    r"|violates .{1,40}constraint"
    r"|django\.\w|rest_framework|strawberry\.\w|\b(?:jobs|measurements|reports)\.(?:models|http|pages|rest|tenancy)\b"
    r"|/(?:work|tmp|home|usr|var/lib)/\w|DoesNotExist|(?:Attribute|Key|Type|Index|Assertion|Integrity)Error"
    r"|\b(?:" + "|".join(map(re.escape, (t for t in _TABLES if "_" in t))) + r")\b",
    re.IGNORECASE | re.DOTALL,
)  # fmt: skip


def inside(content: bytes, sent: str = "") -> str:
    """The first hit, unless the caller sent it; empty when there is none."""
    for found in _INSIDE.finditer(content.decode("utf-8", "replace")):
        if found.group() not in sent:
            return found.group()[:200]
    return ""
