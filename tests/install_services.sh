#!/bin/sh
# Installs what the tests need beside Python packages, from Debian (brokers, browser, databases, Modbus server) and npm.
set -eu
missing=""
command -v mosquitto >/dev/null 2>&1 || [ -x /usr/sbin/mosquitto ] || missing="$missing mosquitto"
command -v chromium >/dev/null 2>&1 || missing="$missing chromium fonts-dejavu-core"
command -v influxd >/dev/null 2>&1 || missing="$missing influxdb"
command -v nginx >/dev/null 2>&1 || [ -x /usr/sbin/nginx ] || missing="$missing nginx-light"
ls /usr/lib/postgresql/*/bin/postgres >/dev/null 2>&1 || command -v postgres >/dev/null 2>&1 || missing="$missing postgresql"
# A Modbus server that is not ours.
ldconfig -p | grep -q "libmodbus.so.5" || missing="$missing libmodbus5"
# What makes PDFs of reports draws its text with the system's pango.
ldconfig -p | grep -q libpangoft2-1.0 || missing="$missing libpango-1.0-0 libpangoft2-1.0-0"
# A broker of npm's, where there is an npm; its tests are skipped without it, and the end of the run says so.
if command -v npm >/dev/null 2>&1 && [ ! -d .venv/aedes/node_modules/aedes ]; then
    mkdir -p .venv/aedes
    cp tests/brokers/aedes/package.json tests/brokers/aedes/package-lock.json .venv/aedes/
    npm ci --prefix .venv/aedes --no-audit --no-fund --silent || echo "npm cannot install aedes" >&2
fi
# It takes half a minute to install and as long to start; only the long tests use it.
if [ "${ASLEFT_BROKERS:-}" = all ]; then
    [ -x /usr/lib/rabbitmq/bin/rabbitmq-server ] || missing="$missing rabbitmq-server"
fi
[ -z "$missing" ] && exit 0
if [ "$(id -u)" = 0 ]; then as_root=""; else as_root="sudo"; fi
command -v apt-get >/dev/null 2>&1 || {
    echo "the tests need$missing; this machine has no apt-get, install them by hand" >&2
    exit 1
}
echo "installing$missing"
export DEBIAN_FRONTEND=noninteractive
# The tests start servers of their own, on ports they pick; one that Debian's package starts is left alone.
$as_root apt-get update -qq
$as_root apt-get install -y -qq --no-install-recommends $missing
