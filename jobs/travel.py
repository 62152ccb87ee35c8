"""Travel times between sites, as the dispatcher sets them. The database counts them for people."""

from uuid import UUID

from django.db import transaction
from django.db.models import QuerySet
from django.utils.translation import gettext

from jobs import events
from jobs.access import Action, Actor, require
from jobs.bookings import MOST_MINUTES
from jobs.errors import Fault, Invalid
from jobs.models import Site, TravelTime
from jobs.queries import visible
from jobs.rows import locked, related


def times(actor: Actor | None) -> QuerySet[TravelTime]:
    """Every pair that has a time of its own."""
    return visible(TravelTime.objects.select_related("one__customer", "other__customer"), actor)


@transaction.atomic
def set_minutes(actor: Actor, one_id: UUID, other_id: UUID, minutes: int) -> TravelTime:
    """Sets the minutes between two sites, either way, for what is planned from now on. Raises Invalid.

    What is planned already stays; a way that became too short shows on the board.
    """
    require(actor, Action.PLAN)
    one = related(Site.objects.all(), actor, one_id, "/one")
    other = related(Site.objects.all(), actor, other_id, "/other")
    if one.id == other.id:
        raise Invalid(
            gettext("A way leads between two sites."), [Fault("/other", gettext("choose another site"))]
        )
    if not 0 <= minutes <= MOST_MINUTES:
        raise Invalid(
            gettext("The time does not fit."),
            [Fault("/minutes", gettext("must be 0 to %(most_minutes)s") % {"most_minutes": MOST_MINUTES})],
        )
    first, second = sorted((one, other), key=lambda site: site.id)
    row: TravelTime
    row, _ = TravelTime.objects.update_or_create(one=first, other=second, defaults={"minutes": minutes})
    data = {"other": str(second.id), "minutes": minutes}
    events.record(actor, "travel.set", "site", first.id, data=data)
    return row


@transaction.atomic
def forget(actor: Actor, travel_id: UUID) -> None:
    """Takes a pair's own time away; the company's usual minutes count again. Raises NotFound."""
    require(actor, Action.PLAN)
    row = locked(TravelTime.objects.all(), actor, travel_id)
    row.delete()
    events.record(actor, "travel.forgotten", "site", row.one_id, data={"other": str(row.other_id)})
