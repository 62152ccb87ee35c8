"""Exit code 0 when the web server in this container answers 200 on the path given (default /readyz).

Asks as the reverse proxy would: with the public host name, since any other is refused.
"""

import http.client
import os
import sys
from urllib.parse import urlsplit


def main(path: str) -> int:
    """Asks once, with five seconds of patience."""
    host = urlsplit(os.environ["PUBLIC_URL"]).netloc
    connection = http.client.HTTPConnection("127.0.0.1", int(os.environ.get("PORT", "8000")), timeout=5)
    connection.request("GET", path, headers={"Host": host, "X-Forwarded-Proto": "https"})
    return 0 if connection.getresponse().status == 200 else 1


if __name__ == "__main__":
    sys.exit(main(sys.argv[1] if len(sys.argv) > 1 else "/readyz"))
