"""Entry point of the web server: `config.wsgi:application`."""

import os

from django.core.wsgi import get_wsgi_application

from config import traces

os.environ.setdefault("DJANGO_SETTINGS_MODULE", "config.settings")

traces.start("web")
application = get_wsgi_application()

# After set-up, as it reads the models: a catalogue that lets companies see each other ends the process.
from jobs.tenancy.startup import refuse_on_fault  # noqa: E402

refuse_on_fault()
