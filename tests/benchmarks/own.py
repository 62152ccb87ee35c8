"""A database for figures alone: a file that measures starts itself once more within one of its own."""

import os
import subprocess
import sys
from pathlib import Path
from urllib.parse import urlsplit

ROOT = Path(__file__).resolve().parents[2]
INSIDE = "FIGURES_INSIDE"
OUTER = ("DATABASE_URL", "DATABASE_OWNER_URL", "REDIS_URL", "BASE_URL", "PUBLIC_URL", "ALLOWED_HOSTS")
"""What tells of services that run already."""


def own_services() -> None:
    """Returns within a PostgreSQL and a Valkey of its own. Outside it starts the same command there, and ends
    as that one ended."""
    if INSIDE in os.environ:
        return
    spec = sys.modules["__main__"].__spec__
    assert spec is not None, "start it by python -m"
    environment = {name: value for name, value in os.environ.items() if name not in OUTER} | {INSIDE: "1"}
    command = [sys.executable, "-m", "config.local", "exec", "--test", "--"]
    command += [sys.executable, "-m", spec.name, *sys.argv[1:]]
    raise SystemExit(subprocess.run(command, cwd=ROOT, env=environment, check=False).returncode)


def own_database(settings: str, **environment: str) -> None:
    """Returns as `own_services` does, with the tables made and Django set up by these settings."""
    own_services()
    os.environ |= {"DJANGO_SETTINGS_MODULE": settings, **environment}
    migrate()
    import django

    django.setup()


def migrate() -> None:
    """Makes the tables, as their owner."""
    parts = urlsplit(os.environ["DATABASE_URL"])
    owner = parts._replace(netloc=parts.netloc.replace("flowledger_app", "flowledger_owner")).geturl()
    environment = os.environ | {"DATABASE_URL": owner, "DATABASE_STATEMENT_TIMEOUT": "0"}
    subprocess.run([sys.executable, "manage.py", "migrate", "-v0"], cwd=ROOT, env=environment, check=True)
