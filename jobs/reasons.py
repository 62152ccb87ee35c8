"""The reason that every decision on evidence needs: said once, for all of them."""

from django.utils.translation import gettext

from jobs.errors import Fault, Invalid

SHORTEST_REASON, LONGEST_REASON = 10, 2000


def reason_of(text: str) -> str:
    """The reason without blanks round it. Raises Invalid when it is too short or too long."""
    found = text.strip()
    if not SHORTEST_REASON <= len(found) <= LONGEST_REASON:
        wanted = f"{SHORTEST_REASON} to {LONGEST_REASON} characters"
        raise Invalid(
            gettext("Give a reason of %(wanted)s.") % {"wanted": wanted},
            [Fault("/reason", gettext("must have %(wanted)s") % {"wanted": wanted})],
        )
    return found
