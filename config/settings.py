"""Settings of the whole service, from environment variables. Anything missing or senseless stops it at start.

Required: SECRET_KEY, EVENT_CHAIN_KEY, DATABASE_URL, REDIS_URL, PUBLIC_URL. With DEBUG=1 (one developer, one
machine) each has a default, and the keys are new at every start. Every variable is listed in DEVELOPERS.md.
"""

import os
import secrets
from pathlib import Path
from typing import Any
from urllib.parse import urlsplit

from celery.schedules import crontab
from django.core.exceptions import ImproperlyConfigured

from config.environment import Environment
from config.languages import catalogues

BASE_DIR = Path(__file__).resolve().parent.parent
env = Environment(os.environ)
DEBUG = env.flag("DEBUG", default=False)


def only_debugging(value: str) -> str | None:
    """A default that exists only with DEBUG=1; without it the variable is required."""
    return value if DEBUG else None


# Keys
SECRET_KEY = env.text("SECRET_KEY", only_debugging(secrets.token_urlsafe(50)))
SECRET_KEY_FALLBACKS = env.words("SECRET_KEY_FALLBACKS")
EVENT_CHAIN_KEY = env.key("EVENT_CHAIN_KEY", only_debugging(secrets.token_urlsafe(32)))
if len(SECRET_KEY) < 50:
    raise ImproperlyConfigured(
        "SECRET_KEY is too short: use at least 50 random characters (openssl rand -base64 48)."
    )

# Signing of reports. SIGNING_KEY encrypts the companies' private keys; the fallbacks still open older ones.
SIGNING_KEYS = [env.key("SIGNING_KEY")] if env.text("SIGNING_KEY", "") else []
SIGNING_KEYS += [Environment({"SIGNING_KEY_FALLBACKS": word}).key("SIGNING_KEY_FALLBACKS")
                 for word in env.words("SIGNING_KEY_FALLBACKS")]  # fmt: skip
# The installation's own certificate (PKCS#12), for companies without one; empty: their reports stay unsigned.
SIGNING_CERTIFICATE = env.text("SIGNING_CERTIFICATE", "")
SIGNING_CERTIFICATE_PASSWORD = env.text("SIGNING_CERTIFICATE_PASSWORD", "")
# A time-stamp authority (RFC 3161); without it a signature's time is the service's own (B-B, not B-T).
TSA_URL = env.text("TSA_URL", "")
TSA_TIMEOUT = env.number("TSA_TIMEOUT", 10, 1, 30)
if TSA_URL and not TSA_URL.startswith(("https://", "http://")):
    raise ImproperlyConfigured(f"TSA_URL={TSA_URL!r} must be an http(s) address.")

# Webhooks. Networks, besides all that are not public, to which nothing is ever sent: the operators' own.
WEBHOOK_REFUSED_NETWORKS = env.networks("WEBHOOK_REFUSED_NETWORKS")
# For tests only: loopback networks to which it is sent, by plain http too.
WEBHOOK_TEST_NETWORKS = env.networks("WEBHOOK_TEST_NETWORKS")
if not all(network.is_loopback for network in WEBHOOK_TEST_NETWORKS):
    raise ImproperlyConfigured("WEBHOOK_TEST_NETWORKS may name loopback networks only, such as 127.0.0.0/24.")

# Addresses
PUBLIC_URL = env.address("PUBLIC_URL", only_debugging("http://127.0.0.1:8000"))
_public = urlsplit(PUBLIC_URL)
HTTPS = _public.scheme == "https"
ALLOWED_HOSTS = env.words("ALLOWED_HOSTS") or [_public.hostname or ""]
if "*" in ALLOWED_HOSTS and not DEBUG:
    raise ImproperlyConfigured("ALLOWED_HOSTS=* lets anyone forge links in mails: list the real host names.")
CSRF_TRUSTED_ORIGINS = [PUBLIC_URL]
ROOT_URLCONF = "config.urls"
WSGI_APPLICATION = "config.wsgi.application"

# What the service is made of
INSTALLED_APPS = [
    "django.contrib.admin",
    "django.contrib.auth",
    "django.contrib.contenttypes",
    "django.contrib.sessions",
    "django.contrib.messages",
    "django.contrib.staticfiles",
    "rest_framework",
    "drf_spectacular",
    "strawberry_django",
    "django_htmx",
    "jobs",
    "measurements",
    "reports",
]
MIDDLEWARE = [
    "config.middleware.RequestIdMiddleware",
    "config.metrics.MetricsMiddleware",
    "django.middleware.security.SecurityMiddleware",
    "config.middleware.ContentSecurityMiddleware",
    "config.middleware.RoomMiddleware",
    "whitenoise.middleware.WhiteNoiseMiddleware",
    "config.middleware.ClockMiddleware",
    "django.contrib.sessions.middleware.SessionMiddleware",
    "jobs.language.ReaderLanguage",
    "django.middleware.common.CommonMiddleware",
    "django.middleware.csrf.CsrfViewMiddleware",
    "django.contrib.auth.middleware.AuthenticationMiddleware",
    "jobs.http.signin.SignInMiddleware",
    "jobs.tenancy.middleware.CompanyMiddleware",
    "config.middleware.RequestLimitMiddleware",
    "jobs.http.denials.DenialLog",
    "django.contrib.messages.middleware.MessageMiddleware",
    "django.middleware.clickjacking.XFrameOptionsMiddleware",
]
TEMPLATES: list[dict[str, Any]] = [
    {
        "BACKEND": "jobs.pages.templating.PlainFigures",
        "APP_DIRS": True,
        "OPTIONS": {
            "context_processors": [
                "django.template.context_processors.request",
                "django.contrib.auth.context_processors.auth",
                "django.contrib.messages.context_processors.messages",
            ],
        },
    },
]
AUTH_USER_MODEL = "jobs.User"
TENANCY_ACTOR = "jobs.identity.actor_for"
DEFAULT_AUTO_FIELD = "django.db.models.BigAutoField"

# Database. The user in DATABASE_URL is the role that connects: the serving role for web and worker, the owner
# for the migrate step. Nobody switches roles.
DATABASE_OWNER_ROLE = env.text("DATABASE_OWNER_ROLE", "flowledger_owner")
DATABASE_APP_ROLE = env.text("DATABASE_APP_ROLE", "flowledger_app")
DATABASES: dict[str, dict[str, Any]] = {
    "default": {
        "ENGINE": "jobs.tenancy.backend",
        **env.database(
            "DATABASE_URL", only_debugging(f"postgresql://{DATABASE_APP_ROLE}@127.0.0.1/flowledger")
        ),
        "ATOMIC_REQUESTS": True,
        "CONN_MAX_AGE": env.number("DATABASE_CONN_MAX_AGE", 60, 0, 86400),
        "CONN_HEALTH_CHECKS": True,
    }
}
_options: dict[str, Any] = DATABASES["default"]["OPTIONS"]
# Milliseconds a statement may run; 0 is no limit (the migrate step uses that). Idle transactions end with it.
DATABASE_STATEMENT_TIMEOUT = env.number("DATABASE_STATEMENT_TIMEOUT", 30_000, 0, 3_600_000)
DATABASE_LOCK_TIMEOUT = env.number("DATABASE_LOCK_TIMEOUT", 3_000, 0, 3_600_000)
_options.setdefault("connect_timeout", 5)
# A line whose other end went away without a word is given up after half a minute.
for _name, _value in (("keepalives_idle", 15), ("keepalives_interval", 5), ("keepalives_count", 3),
                      ("tcp_user_timeout", 30_000)):  # fmt: skip
    _options.setdefault(_name, _value)
_options.setdefault("application_name", "flowledger")
_options["options"] = (
    f"{_options.get('options', '')} -c statement_timeout={DATABASE_STATEMENT_TIMEOUT}"
    f" -c lock_timeout={DATABASE_LOCK_TIMEOUT} -c idle_in_transaction_session_timeout=60000"
).strip()
# Of a new database, read by migrate only (jobs/tenancy/growth.py): partitions of the tables that grow, and
# whether tables are spread over the nodes of a sharding PostgreSQL.
DATABASE_PARTITIONS = env.number("DATABASE_PARTITIONS", 0, 0, 1024)
DATABASE_SHARDING = env.text("DATABASE_SHARDING", "")
if DATABASE_SHARDING not in ("", "citus"):
    raise ImproperlyConfigured(f"DATABASE_SHARDING={DATABASE_SHARDING!r} is unknown: leave it out, or citus.")
# The few statements that nearly every request runs are prepared once a connection (jobs/bulk.py). Off behind
# a pooler that hands a connection from one client to the next without keeping prepared statements.
_options.setdefault("prepare_threshold", 2 if env.flag("DATABASE_PREPARED", default=True) else None)
if _pool := env.number("DATABASE_POOL", 0, 0, 1000):  # connections shared by the threads of one process
    _options["pool"] = {"min_size": 1, "max_size": _pool, "timeout": 5}
    DATABASES["default"]["CONN_MAX_AGE"] = 0

# Valkey: cache (rate limits, nothing that must last) and the queue's doorbell
REDIS_URL = env.redis("REDIS_URL", only_debugging("redis://127.0.0.1:6379/0"))
CACHES = {
    "default": {
        "BACKEND": "django.core.cache.backends.redis.RedisCache",
        "LOCATION": REDIS_URL,
        "OPTIONS": {"socket_timeout": 2, "socket_connect_timeout": 2},  # one that hangs is one that is away
    }
}

# Files
VAR_ROOT = Path(env.text("VAR_ROOT", str(BASE_DIR / "var")))
MEDIA_ROOT = Path(env.text("MEDIA_ROOT", str(VAR_ROOT / "media")))
# Heads of the logs' chains, written daily outside the database; best on a disk that forgets nothing.
ANCHOR_FILE = Path(env.text("ANCHOR_FILE", str(VAR_ROOT / "anchors" / "evidence.jsonl")))
# Percent of a disk that stays free: below it nothing new is stored. DISK_WATCHED names further folders,
# such as the database's when it lies on a disk of this machine.
DISK_FREE_PERCENT = env.number("DISK_FREE_PERCENT", 5, 0, 50)
DISK_WATCHED = env.words("DISK_WATCHED")
MEDIA_URL = "/media/"  # never served directly: every file goes out through a view that checks who asks
FILE_UPLOAD_PERMISSIONS = 0o600
STATIC_URL = "/static/"
STATICFILES_FINDERS = [
    "django.contrib.staticfiles.finders.AppDirectoriesFinder",
    "jobs.pages.fonts.FontFinder",
    "jobs.pages.scripts.ScriptFinder",
]
# Named: files collected there under names with a digest, kept for ever. Not named: straight from the apps.
STATIC_ROOT = Path(env.text("STATIC_ROOT", str(VAR_ROOT / "static")))
WHITENOISE_USE_FINDERS = not env.text("STATIC_ROOT", "")
STORAGES: dict[str, dict[str, Any]] = {
    "default": {"BACKEND": env.text("STORAGE_BACKEND", "jobs.storage.LastingStorage")},
    "staticfiles": {
        "BACKEND": "django.contrib.staticfiles.storage.StaticFilesStorage"
        if WHITENOISE_USE_FINDERS
        else "whitenoise.storage.CompressedManifestStaticFilesStorage"
    },
}
DATA_UPLOAD_MAX_MEMORY_SIZE = env.number("MAX_BODY_BYTES", 10 * 1024 * 1024, 1024, 1024**3)
DATA_UPLOAD_MAX_NUMBER_FIELDS = 1000
DATA_UPLOAD_MAX_NUMBER_FILES = 20

# Mail: written to files until a mail host is named
if env.text("EMAIL_HOST", "-") == "-":
    EMAIL_BACKEND = "django.core.mail.backends.filebased.EmailBackend"
    EMAIL_FILE_PATH = str(VAR_ROOT / "mail")
else:
    EMAIL_BACKEND = "django.core.mail.backends.smtp.EmailBackend"
    EMAIL_HOST = env.text("EMAIL_HOST")
    EMAIL_PORT = env.number("EMAIL_PORT", 587, 1, 65535)
    EMAIL_HOST_USER = env.text("EMAIL_HOST_USER", "")
    EMAIL_HOST_PASSWORD = env.text("EMAIL_HOST_PASSWORD", "")
    EMAIL_USE_TLS = env.flag("EMAIL_USE_TLS", default=True)
    EMAIL_TIMEOUT = 20
DEFAULT_FROM_EMAIL = SERVER_EMAIL = env.text("DEFAULT_FROM_EMAIL", f"flowledger@{_public.hostname}")

# People signing in
AUTH_PASSWORD_VALIDATORS: list[dict[str, Any]] = [
    {"NAME": "django.contrib.auth.password_validation.UserAttributeSimilarityValidator"},
    {"NAME": "django.contrib.auth.password_validation.MinimumLengthValidator", "OPTIONS": {"min_length": 10}},
    {"NAME": "django.contrib.auth.password_validation.CommonPasswordValidator"},
]
PASSWORD_RESET_TIMEOUT = 24 * 3600
LOGIN_URL = "/signin"
LOGIN_REDIRECT_URL = "/"
SESSION_COOKIE_AGE = 14 * 24 * 3600
SESSION_COOKIE_HTTPONLY = True
SESSION_COOKIE_SAMESITE = "Lax"
CSRF_COOKIE_SAMESITE = "Lax"
CSRF_FAILURE_VIEW = "jobs.pages.failures.stale_form"

# Words of the look for what a page tells after an act
MESSAGE_TAGS = {10: "", 20: "", 25: "good", 30: "warn", 40: "stop"}
MESSAGE_STORAGE = "django.contrib.messages.storage.session.SessionStorage"

# Transport
SESSION_COOKIE_SECURE = CSRF_COOKIE_SECURE = HTTPS
SECURE_SSL_REDIRECT = HTTPS
SECURE_REDIRECT_EXEMPT = [r"^healthz$", r"^readyz$"]
SECURE_HSTS_SECONDS = 31_536_000 if HTTPS else 0
SECURE_HSTS_INCLUDE_SUBDOMAINS = SECURE_HSTS_PRELOAD = env.flag("HSTS_SUBDOMAINS", default=False)
SECURE_CONTENT_TYPE_NOSNIFF = True
SECURE_REFERRER_POLICY = "same-origin"
X_FRAME_OPTIONS = "DENY"
# Set only behind a proxy that always overwrites X-Forwarded-Proto, else a client could claim https.
BEHIND_PROXY = env.flag("BEHIND_PROXY", default=False)
if BEHIND_PROXY:
    SECURE_PROXY_SSL_HEADER = ("HTTP_X_FORWARDED_PROTO", "https")
CONTENT_SECURITY_POLICY = (
    "default-src 'self'; img-src 'self' data: blob:; object-src 'none'; base-uri 'none'; "
    "form-action 'self'; frame-ancestors 'none'"
)

# Language and time: pages are in the browser's language if there is a catalogue for it; what is stored is
# English. Figures and dates look the same in every language (jobs.pages.templating). Stored and answered in
# UTC; a site's own zone is data.
LANGUAGE_CODE = "en-gb"
LOCALE_PATHS = [BASE_DIR / "config" / "locale"]
LANGUAGES = [(LANGUAGE_CODE, "English"), *catalogues(LOCALE_PATHS[0])]
LANGUAGE_COOKIE_SECURE, LANGUAGE_COOKIE_SAMESITE = HTTPS, "Lax"
USE_I18N = True
TIME_ZONE = "UTC"
USE_TZ = True

# REST and its schema
REST_FRAMEWORK: dict[str, Any] = {
    "DEFAULT_SCHEMA_CLASS": "jobs.http.schema.DoorSchema",
    "DEFAULT_AUTHENTICATION_CLASSES": ["jobs.http.auth.ActorAuthentication"],
    "DEFAULT_PERMISSION_CLASSES": [],  # jobs.access decides; a Door names the action
    "DEFAULT_PARSER_CLASSES": ["jobs.http.parsing.StrictJsonParser"],
    "DEFAULT_RENDERER_CLASSES": ["rest_framework.renderers.JSONRenderer"],
    "DEFAULT_PAGINATION_CLASS": "jobs.http.paging.Keyset",
    "EXCEPTION_HANDLER": "jobs.http.problem.handle",
    "UNAUTHENTICATED_USER": None,
    "DEFAULT_METADATA_CLASS": None,  # OPTIONS is not served; the OpenAPI document describes every door
    "URL_FORMAT_OVERRIDE": None,
    "NON_FIELD_ERRORS_KEY": "non_field_errors",
}
# Requests a minute, by REST, GraphQL and pages alike: of one person or key, of a company, and of one address
# without either at REST and GraphQL.
REQUESTS_A_MINUTE = env.number("REQUESTS_A_MINUTE", 1200, 1, 1_000_000)
REQUESTS_A_MINUTE_COMPANY = env.number("REQUESTS_A_MINUTE_COMPANY", 6000, 1, 10_000_000)
REQUESTS_A_MINUTE_UNKNOWN = env.number("REQUESTS_A_MINUTE_UNKNOWN", 60, 1, 1_000_000)
SPECTACULAR_SETTINGS: dict[str, Any] = {
    "TITLE": "Flowledger",
    "VERSION": "1",
    "OAS_VERSION": "3.1.1",
    "SERVE_INCLUDE_SCHEMA": False,
    "POSTPROCESSING_HOOKS": [
        "drf_spectacular.hooks.postprocess_schema_enums",
        "measurements.rest.kinds.add_session_kinds",
        "reports.rest.webhooks.tell_of_headers",
    ],
    "WEBHOOKS": ["reports.rest.webhooks.EVENT"],
    "ENUM_NAME_OVERRIDES": {
        "SystemKind": "jobs.models.SystemKind",
        "PointKind": "jobs.models.PointKind",
        "InstrumentKind": "jobs.models.InstrumentKind",
        "UnitSystem": "jobs.models.UnitSystem",
        "UnitSystemOrEmpty": [("", ""), ("SI", "SI"), ("IP", "IP")],
        "PlanKind": [("people", "people"), ("instruments", "instruments")],
        "ComputationOutcome": "measurements.models.Outcome",
        "CheckKind": "measurements.models.CheckKind",
        "DocumentKind": "reports.models.DocumentKind",
        "DocumentBefore": ["interim", "deficiencies", "deferred"],
        "PhotoKind": "measurements.models.PhotoKind",
        "PhotoSubject": "measurements.models.PhotoSubject",
        "PhotoType": "measurements.models.PhotoType",
        "PhotoState": ["stored", "removed", "erased"],
        "RecallDecisionKind": "measurements.models.RecallDecisionKind",
    },
}

# Celery: a doorbell. What is due stands in the database; a lost message costs one sweep. A task is
# acknowledged when done and redelivered when its worker dies, so every task must be harmless to repeat. Hard
# limit < lease of due work < visibility timeout, else a slow task would run twice at once.
CELERY_BROKER_URL = REDIS_URL.replace("unix://", "redis+socket://", 1)
CELERY_BROKER_CONNECTION_RETRY_ON_STARTUP = True
CELERY_BROKER_TRANSPORT_OPTIONS = {
    "visibility_timeout": 600,
    "socket_timeout": 10,
    "socket_connect_timeout": 5,
    "max_retries": 0,  # who rings while the queue is away does not wait for it: the sweep does
}
CELERY_TASK_PUBLISH_RETRY_POLICY = {
    "max_retries": 1,
    "interval_start": 0,
    "interval_step": 0.2,
    "interval_max": 0.2,
}
CELERY_TASK_ACKS_LATE = True
CELERY_TASK_REJECT_ON_WORKER_LOST = True
CELERY_WORKER_PREFETCH_MULTIPLIER = 1
CELERY_TASK_SERIALIZER = CELERY_RESULT_SERIALIZER = "json"
CELERY_ACCEPT_CONTENT = ["json"]
CELERY_TASK_IGNORE_RESULT = True
CELERY_TASK_SOFT_TIME_LIMIT = 90
CELERY_TASK_TIME_LIMIT = 120
CELERY_WORKER_MAX_TASKS_PER_CHILD = 500
CELERY_WORKER_MAX_MEMORY_PER_CHILD = 1024 * 1024  # KiB
# Address space of one worker process, in MB (0: no limit): what needs more fails alone and is parked.
WORKER_MEMORY_MB = env.number("WORKER_MEMORY_MB", 3072, 0, 1_000_000)
CELERY_WORKER_SOFT_SHUTDOWN_TIMEOUT = 20
CELERY_WORKER_ENABLE_SOFT_SHUTDOWN_ON_IDLE = False
# Work in hand is dropped when the queue is lost. Left to its end it would be acknowledged on the lost
# connection, on which the worker itself may fall (kombu 5.7: AttributeError) with all else that it does.
CELERY_WORKER_CANCEL_LONG_RUNNING_TASKS_ON_CONNECTION_LOSS = True
CELERY_WORKER_HIJACK_ROOT_LOGGER = False
CELERY_TASK_DEFAULT_QUEUE = "default"
CELERY_TIMEZONE = "UTC"
SWEEP_SECONDS = env.number("SWEEP_SECONDS", 15, 1, 3600)
CELERY_BEAT_SCHEDULER = "config.beat:Scheduler"
CELERY_BEAT_MAX_LOOP_INTERVAL = SWEEP_SECONDS
CELERY_BEAT_SCHEDULE = {
    "sweep": {"task": "jobs.sweep", "schedule": SWEEP_SECONDS, "options": {"expires": SWEEP_SECONDS}},
    # Hourly, so that a day on which the service stood still for hours has its anchor all the same.
    "anchor": {"task": "jobs.anchor", "schedule": crontab(minute=7), "options": {"expires": 3600}},
    "warn_of_certificates": {
        "task": "reports.warn_of_certificates",
        "schedule": crontab(hour=5, minute=40),
        "options": {"expires": 43200},
    },
    "keep": {"task": "reports.keep", "schedule": crontab(hour=4, minute=50), "options": {"expires": 43200}},
    "access": {"task": "jobs.access", "schedule": 60, "options": {"expires": 60}},
    "remind": {"task": "jobs.remind", "schedule": crontab(hour=5, minute=20), "options": {"expires": 43200}},
}

# Metrics: who has the token reads /metrics. Processes of one machine share a folder, in which files are named
# by process: no two machines or containers may share one. A worker serves its own page on a port.
METRICS_TOKEN = env.text("METRICS_TOKEN", "")
METRICS_DIR = env.text("METRICS_DIR", "")
METRICS_PORT = env.number("METRICS_PORT", 0, 0, 65535)
METRICS_ADDRESS = env.text("METRICS_ADDRESS", "127.0.0.1")
if METRICS_DIR:
    Path(METRICS_DIR).mkdir(mode=0o700, parents=True, exist_ok=True)
    os.environ["PROMETHEUS_MULTIPROC_DIR"] = METRICS_DIR  # its library looks there when it is imported

# Log: one JSON object a line, with request id; never bodies, secrets or names of people
LOGGING: dict[str, Any] = {
    "version": 1,
    "disable_existing_loggers": False,
    "formatters": {"json": {"()": "config.logs.JsonFormatter"}},
    "handlers": {"stderr": {"class": "logging.StreamHandler", "formatter": "json"}},
    "root": {"handlers": ["stderr"], "level": env.text("LOG_LEVEL", "INFO").upper()},
    "loggers": {
        "django": {"level": "INFO", "propagate": True, "handlers": []},
        "django.server": {"propagate": True, "handlers": []},
        "celery.worker.strategy": {"level": "WARNING"},
        "pikepdf": {"level": "WARNING"},
        "pyhanko": {"level": "ERROR"},  # what it finds of a certificate is told by who asked
    },
}
