#!/bin/sh
# Makes everything that compose.yaml mounts and that is this plant's own: certificates, secrets, .env. Offline.
set -eu
cd "$(dirname "$0")"

usage() {
    cat <<'TEXT'
usage: prepare.sh NAME [ZONE]

  NAME    the name or address by which edge boxes and people reach this machine: plant.example or 10.0.0.5
  ZONE    the plant's time zone, for example Europe/Madrid (UTC when absent)

Makes certificates/ (see certificates.sh), secrets/ (passwords drawn at random) and .env. What is there already is
kept. Then:
  docker compose up -d --build
  docker compose run --rm web users add YOUR-NAME --role administrator --data /data \
      --records postgresql://asleft@postgres/asleft
TEXT
}

[ $# -ge 1 ] && [ $# -le 2 ] || { usage >&2; exit 2; }
case $1 in -*) usage; exit 2 ;; esac
name=$1
zone=${2:-UTC}
case $zone in '' | *[!A-Za-z0-9_/+-]*) echo "prepare.sh: '$zone' is no time zone, Europe/Madrid would be one" >&2; exit 2 ;; esac
command -v openssl >/dev/null 2>&1 || { echo "prepare.sh: openssl is not installed" >&2; exit 2; }

if [ "$(id -u)" = 0 ]; then
    echo "prepare.sh: as root, all will run as root inside its container; better as an ordinary user who may run docker" >&2
fi
umask 077
[ -f certificates/broker.crt ] || ./certificates.sh broker "$name" broker localhost
[ -f certificates/web.crt ] || ./certificates.sh web "$name"
[ -f certificates/RECORDER.crt ] || ./certificates.sh recorder

mkdir -p secrets
for secret in influx_password influx_token postgres_password; do
    [ -s "secrets/$secret" ] || openssl rand -hex 24 | tr -d '\n' >"secrets/$secret"
done
printf 'postgres:5432:asleft:asleft:%s\n' "$(cat secrets/postgres_password)" >secrets/pgpass

if [ ! -f .env ]; then
    cat >.env <<TEXT
ASLEFT_NAME=$name
ASLEFT_ZONE=$zone
ASLEFT_UID=$(id -u)
ASLEFT_GID=$(id -g)
# How long InfluxDB keeps readings and overviews, as 90d or 2160h; 0 is for ever. Taken when it starts for the first time.
ASLEFT_KEEP_RAW=0
ASLEFT_KEEP_OVERVIEW=0
TEXT
    echo "made .env"
fi
echo "ready: docker compose up -d --build"
