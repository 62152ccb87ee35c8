"""Log lines as single-line JSON."""

import json
import logging
import re
from contextvars import ContextVar
from datetime import UTC, datetime
from typing import Any

request_id: ContextVar[str | None] = ContextVar("request_id", default=None)

STANDARD = frozenset(vars(logging.makeLogRecord({}))) | {"message", "asctime", "taskName"}
# Whoever has one of these addresses is let in, or sees a report.
SECRET_ADDRESS = re.compile(r"/(invitation|password|check|calendar)/[^\s\"'?]+")
NOT_FOR_LOGS = frozenset({"request", "data", "server_time"})


class JsonFormatter(logging.Formatter):
    """time (UTC), level, logger, message, request_id, the `extra` values given, and the traceback if any."""

    def format(self, record: logging.LogRecord) -> str:
        line: dict[str, Any] = {
            "time": datetime.fromtimestamp(record.created, UTC).isoformat(timespec="milliseconds"),
            "level": record.levelname,
            "logger": record.name,
            "message": SECRET_ADDRESS.sub(r"/\1/…", record.getMessage()),
        }
        if current := request_id.get():
            line["request_id"] = current
        line |= {k: v for k, v in vars(record).items() if k not in STANDARD | NOT_FOR_LOGS}
        if record.exc_info:
            line["traceback"] = self.formatException(record.exc_info)
        return json.dumps(line, default=str, ensure_ascii=False)
