#!/bin/sh
# Runs mosquitto, and starts it anew when the list of revoked certificates has changed.
#     run.sh plant.conf certificates/revoked.crl
# mosquitto looks at the list only when a session begins, also after SIGHUP: a revoked edge box that is connected would
# go on sending. Started anew, the broker ends every session; each box and recorder comes back by itself within
# seconds, by its certificate, and the revoked one does not. Nothing is lost: agents keep what is not acknowledged.
# A list that is not whole (still being copied, or no list) changes nothing. SIGHUP and SIGTERM are handed on.
set -u

[ $# -eq 2 ] || { echo "usage: run.sh CONFIGURATION REVOKED-LIST" >&2; exit 2; }
configuration=$1
list=$2
every=${EVERY_S:-5}

# Debian keeps mosquitto in a folder that is not on everybody's path.
PATH=$PATH:/usr/sbin:/usr/local/sbin

whole() {
    if command -v openssl >/dev/null 2>&1; then
        openssl crl -in "$list" -noout >/dev/null 2>&1
    else
        grep -q 'BEGIN X509 CRL' "$list" 2>/dev/null && tail -n 1 "$list" | grep -q 'END X509 CRL'
    fi
}

start() {
    mosquitto -c "$configuration" &
    broker=$!
}

end() {
    kill -TERM "$broker" 2>/dev/null
    while kill -0 "$broker" 2>/dev/null; do wait "$broker"; done
}

trap 'end; exit 0' TERM INT
trap 'kill -HUP "$broker"' HUP

in_use=$(cksum <"$list") || exit 2
before=$in_use
start
while :; do
    sleep "$every" &
    wait $!
    if ! kill -0 "$broker" 2>/dev/null; then
        wait "$broker"
        exit $?
    fi
    now=$(cksum <"$list" 2>/dev/null) || continue
    if [ "$now" != "$in_use" ] && [ "$now" = "$before" ] && whole; then
        echo "run.sh: the list of revoked certificates has changed; every session ends and begins anew" >&2
        in_use=$now
        end
        start
    fi
    before=$now
done
