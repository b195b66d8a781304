#!/bin/sh
# Installs what the tests need beside Python packages, from Debian: a broker, a browser, databases.
set -eu
missing=""
command -v mosquitto >/dev/null 2>&1 || [ -x /usr/sbin/mosquitto ] || missing="$missing mosquitto"
command -v chromium >/dev/null 2>&1 || missing="$missing chromium fonts-dejavu-core"
command -v influxd >/dev/null 2>&1 || missing="$missing influxdb"
command -v nginx >/dev/null 2>&1 || [ -x /usr/sbin/nginx ] || missing="$missing nginx-light"
ls /usr/lib/postgresql/*/bin/postgres >/dev/null 2>&1 || command -v postgres >/dev/null 2>&1 || missing="$missing postgresql"
# What makes PDFs of reports draws its text with the system's pango.
ldconfig -p | grep -q libpangoft2-1.0 || missing="$missing libpango-1.0-0 libpangoft2-1.0-0"
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
