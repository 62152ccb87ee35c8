#!/bin/sh
# Starts one part of the service: web, worker, beat, migrate, or any management command.
# A variable NAME_FILE names a file (a secret of the orchestrator) whose content becomes NAME.
set -eu
for name in SECRET_KEY EVENT_CHAIN_KEY SIGNING_KEY SIGNING_CERTIFICATE_PASSWORD DATABASE_URL REDIS_URL EMAIL_HOST_PASSWORD METRICS_TOKEN; do
  eval "file=\${${name}_FILE:-}"
  if [ -n "$file" ]; then
    [ -r "$file" ] || { echo "${name}_FILE=$file cannot be read" >&2; exit 1; }
    value=$(cat "$file")
    export "$name=$value"
  fi
done
part=${1:-web}
[ $# -eq 0 ] || shift
case $part in
  web) exec granian --interface wsgi --host "${LISTEN:-0.0.0.0}" --port "${PORT:-8000}" --workers "${WEB_WORKERS:-2}" \
         --blocking-threads "${WEB_THREADS:-2}" --no-ws --respawn-failed-workers --respawn-interval 0.5 --workers-kill-timeout 20 "$@" config.wsgi:application ;;
  worker) exec celery -A config.celery worker --hostname "worker@$(hostname)" --concurrency "${TASK_WORKERS:-2}" \
         --queues "${QUEUES:-default,render,webhooks,long}" --loglevel INFO --without-gossip --without-mingle "$@" ;;
  beat) exec celery -A config.celery beat --schedule /tmp/beat-schedule --pidfile= --loglevel INFO "$@" ;;
  worker-ping) exec celery -A config.celery inspect ping --destination "worker@$(hostname)" ;;
  migrate) export DATABASE_STATEMENT_TIMEOUT=0; exec python manage.py migrate "$@" ;;
  *) exec python manage.py "$part" "$@" ;;
esac
