"""A small receiver of Flowledger's webhooks: checks the signature, drops what it knows, answers at once.

    pip install standardwebhooks
    WEBHOOK_SECRET=whsec_… python receiver.py --port 9000 --store events.sqlite

What it took stands in the table `event` of the SQLite file, one row an event, by its number. Put it behind a
proxy that speaks https: Flowledger calls nothing else. Standard library and the public package
`standardwebhooks` only.
"""

import argparse
import json
import os
import sqlite3
import threading
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from typing import Any

from standardwebhooks import Webhook, WebhookVerificationError

MOST_BYTES = 1024 * 1024
TABLE = """
CREATE TABLE IF NOT EXISTS event (id TEXT PRIMARY KEY, number INTEGER, kind TEXT NOT NULL, body TEXT NOT NULL)
"""


class Store:
    """Events by their `webhook-id`. The id is the key, so a second delivery changes nothing."""

    def __init__(self, path: str) -> None:
        self.base = sqlite3.connect(path, check_same_thread=False, isolation_level=None)
        self.base.execute(TABLE)
        self.lock = threading.Lock()

    def keep(self, message_id: str, body: dict[str, Any]) -> bool:
        """Whether it is new. What your system does with an event belongs into the same transaction."""
        row = (message_id, body["data"].get("number"), body["type"], json.dumps(body))
        with self.lock:
            done = self.base.execute("INSERT OR IGNORE INTO event VALUES (?, ?, ?, ?)", row)
        return done.rowcount == 1


class Handler(BaseHTTPRequestHandler):
    """POST of one event. 204: taken, or known already; 400: altered, too old, or not for us."""

    protocol_version = "HTTP/1.1"
    store: Store
    signer: Webhook

    def do_POST(self) -> None:
        length = self.headers.get("Content-Length", "")
        if not length.isdigit() or int(length) > MOST_BYTES:
            self.answer(413)
            return
        body = self.rfile.read(int(length))
        try:
            told = self.signer.verify(body, dict(self.headers.items()))
        except (WebhookVerificationError, ValueError):
            self.answer(400)
            return
        new = self.store.keep(self.headers["webhook-id"], told)
        print("took" if new else "knew", told["type"], told["data"].get("number", ""), flush=True)
        self.answer(204)

    def answer(self, status: int) -> None:
        self.send_response(status)
        self.send_header("Content-Length", "0")
        self.end_headers()
        self.close_connection = status != 204

    def log_message(self, *_: Any) -> None:
        pass


def main() -> None:
    asked = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    asked.add_argument("--host", default="127.0.0.1")
    asked.add_argument("--port", type=int, default=9000)
    asked.add_argument("--store", default="events.sqlite")
    given = asked.parse_args()
    Handler.signer, Handler.store = Webhook(os.environ["WEBHOOK_SECRET"]), Store(given.store)
    server = ThreadingHTTPServer((given.host, given.port), Handler)
    print(f"listening on http://{given.host}:{server.server_address[1]}", flush=True)
    server.serve_forever()


if __name__ == "__main__":
    main()
