"""The scheduler of Celery's beat, which sends what CELERY_BEAT_SCHEDULE names."""

from typing import Any

from celery.beat import PersistentScheduler


class Scheduler(PersistentScheduler):  # type: ignore[misc]
    """Goes on after its clock was wrong.

    What beat sent while its clock was ahead counts as sent then, in the file of the schedule too, and would
    not be sent again before that moment: after a jump of weeks no work would be swept for weeks.
    """

    def tick(self, *args: Any, **named: Any) -> float:
        """One turn; whatever was sent in the future counts as sent now."""
        entries = self.schedule.values()
        ahead = [one for one in entries if one.last_run_at and one.last_run_at > one.default_now()]
        for entry in ahead:
            entry.last_run_at = entry.default_now()
        if ahead:
            self._heap = None  # made anew from the entries
        return float(super().tick(*args, **named))
