#!/bin/sh
# Makes the certificates of a plant side, on this machine and offline; needs nothing but openssl.
set -eu

usage() {
    cat <<'TEXT'
usage: certificates.sh [-d FOLDER] COMMAND

  broker NAME...     the broker's, for every name and address by which it is reached (first of all makes the
                     authority: ca.key, ca.crt)
  web NAME...        the dashboard's reverse proxy, likewise
  recorder [NAME]    a recorder's; NAME is RECORDER when absent, capital letters, digits and '-'
  agent ID...        one for each edge box; ID as in its settings file: a-z, 0-9, '-' and dots
  revoke FILE.crt    no longer to be trusted; then copy revoked.crl over the broker's: broker/run.sh ends every
                     session when it sees the new list, and all but the revoked one come back
  list               what there is, and until when

  -d FOLDER          where they are kept (default: certificates)

example, for a broker reached as broker.plant and 10.0.0.5:
  certificates.sh broker broker.plant 10.0.0.5
  certificates.sh recorder
  certificates.sh agent hall-1 hall-2

Carry to an edge box ca.crt, ID.crt and ID.key, to the broker ca.crt, broker.crt, broker.key and revoked.crl. ca.key
can make anybody anyone: keep it on a machine that is not in the plant's network, or on a stick in a safe. The list of
revoked ones ends with the authority (ten years); certificates end after DAYS days (825 when not set), and have to be
made anew before: certificates.sh list says when.
TEXT
}

fail() {
    echo "certificates.sh: $*" >&2
    exit 2
}

folder=certificates
if [ "${1:-}" = "-d" ]; then
    [ $# -ge 2 ] || { usage >&2; exit 2; }
    folder=$2
    shift 2
fi
command=${1:-}
[ $# -gt 0 ] && shift
case $command in
    broker | web | recorder | agent | revoke | list) ;;
    -h | --help | help) usage; exit 0 ;;
    *) usage >&2; exit 2 ;;
esac
command -v openssl >/dev/null 2>&1 || fail "openssl is not installed"
days=${DAYS:-825}
case $days in '' | *[!0-9]* | 0*) fail "DAYS is '$days', a number of days is expected" ;; esac

# Keys are for their owner alone. Certificates are no secret: whoever serves or asks with them must be able to read them.
umask 077
[ -d "$folder" ] || { mkdir -p "$folder" && chmod 755 "$folder"; }
cd "$folder"

settings() {
    cat <<TEXT
[ca]
default_ca = asleft
[asleft]
dir = .
database = index
serial = serial
crlnumber = crlnumber
new_certs_dir = issued
certificate = ca.crt
private_key = ca.key
default_md = sha256
default_crl_days = 3650
unique_subject = no
copy_extensions = none
policy = only_the_name
[only_the_name]
commonName = supplied
[req]
distinguished_name = none
prompt = no
[none]
[authority]
basicConstraints = critical, CA:true, pathlen:0
keyUsage = critical, keyCertSign, cRLSign
subjectKeyIdentifier = hash
[serves]
basicConstraints = critical, CA:false
keyUsage = critical, digitalSignature
extendedKeyUsage = serverAuth
subjectKeyIdentifier = hash
authorityKeyIdentifier = keyid
subjectAltName = ${1:-DNS:localhost}
[asks]
basicConstraints = critical, CA:false
keyUsage = critical, digitalSignature
extendedKeyUsage = clientAuth
subjectKeyIdentifier = hash
authorityKeyIdentifier = keyid
TEXT
}

authority() {
    [ -f ca.key ] && return
    [ -f ca.crt ] && fail "$folder has ca.crt but no ca.key: bring the key here, or take another folder"
    settings >.settings
    mkdir -p issued
    : >index
    echo 1000 >serial
    echo 01 >crlnumber
    openssl ecparam -name prime256v1 -genkey -noout -out ca.key
    openssl req -x509 -new -config .settings -extensions authority -key ca.key -sha256 -days 3650 \
        -subj "/CN=Asleft plant authority" -out ca.crt
    openssl ca -config .settings -gencrl -out revoked.crl 2>/dev/null
    chmod 644 ca.crt revoked.crl
    echo "made the authority: $folder/ca.crt and ca.key (keep ca.key out of the plant's network)"
}

# issue FILE COMMON-NAME serves|asks [ALTERNATIVE NAMES]
issue() {
    [ -e "$1.key" ] && fail "$folder/$1.key is there already; to make it anew, first: certificates.sh revoke $1.crt"
    settings "${4:-}" >.settings
    openssl ecparam -name prime256v1 -genkey -noout -out "$1.key"
    openssl req -new -config .settings -key "$1.key" -subj "/CN=$2" -out "$1.csr"
    if ! openssl ca -batch -notext -config .settings -extensions "$3" -days "$days" -in "$1.csr" -out "$1.crt" 2>.said; then
        cat .said >&2
        rm -f "$1.key" "$1.csr" "$1.crt"
        fail "openssl would not sign for $2"
    fi
    rm -f "$1.csr" .said
    chmod 644 "$1.crt"
    echo "made $folder/$1.crt and $1.key for $2"
}

# The names of a server as alternative names: addresses as IP, the rest as DNS.
alternatives() {
    line=""
    for name in "$@"; do
        case $name in
            '' | *[!A-Za-z0-9.:_-]*) fail "'$name' is no host name or address" ;;
            *:* | *[!0-9.]*) case $name in *:*) kind=IP ;; *) kind=DNS ;; esac ;;
            *) kind=IP ;;
        esac
        line="${line:+$line, }$kind:$name"
    done
    echo "$line"
}

case $command in
    broker | web)
        [ $# -ge 1 ] || fail "$command: give every name and address by which it is reached"
        names=$(alternatives "$@") || exit 2
        authority
        issue "$command" "$1" serves "$names"
        ;;
    recorder)
        name=${1:-RECORDER}
        case $name in *[!A-Z0-9-]* | '' | [!A-Z]*) fail "'$name': a recorder's name is of capital letters, digits and '-'" ;; esac
        [ ${#name} -le 64 ] || fail "'$name' has ${#name} characters, at most 64 are allowed"
        [ -f ca.key ] || fail "there is no authority yet; begin with: certificates.sh broker NAME..."
        issue "$name" "$name" asks
        ;;
    agent)
        [ $# -ge 1 ] || fail "agent: give the ids of the edge boxes"
        [ -f ca.key ] || fail "there is no authority yet; begin with: certificates.sh broker NAME..."
        for id in "$@"; do
            case $id in
                '' | *[!a-z0-9.-]* | [!a-z0-9]* | *[!a-z0-9])
                    fail "'$id' cannot name an agent: a-z, 0-9, '-' and dots, a letter or digit at both ends" ;;
                ca | broker | web | recorder) fail "'$id' is the name of another file here; give the edge box another id" ;;
            esac
            [ ${#id} -le 64 ] || fail "'$id' has ${#id} characters, at most 64 are allowed"
        done
        for id in "$@"; do issue "$id" "$id" asks; done
        ;;
    revoke)
        [ $# -eq 1 ] || fail "revoke: give one certificate file"
        file=$(basename "$1" .crt)
        [ -f "$file.crt" ] || fail "there is no $folder/$file.crt"
        [ "$file" != ca ] || fail "the authority cannot revoke itself; make a new one in another folder"
        settings >.settings
        openssl ca -config .settings -revoke "$file.crt" 2>/dev/null || fail "openssl would not revoke $file.crt"
        openssl ca -config .settings -gencrl -out revoked.crl 2>/dev/null
        mkdir -p withdrawn
        number=$(openssl x509 -in "$file.crt" -noout -serial | cut -d= -f2)
        mv "$file.crt" "withdrawn/$file.$number.crt"
        rm -f "$file.key"
        echo "revoked $file; it stays connected until the broker has $folder/revoked.crl and begins all sessions anew:"
        echo "broker/run.sh does that by itself when the file is there, else restart mosquitto"
        ;;
    list)
        [ -f ca.crt ] || fail "there is nothing in $folder yet"
        for file in *.crt; do
            printf '%-28s %-28s until %s\n' "$file" \
                "$(openssl x509 -in "$file" -noout -subject -nameopt multiline | sed -n 's/ *commonName *= //p')" \
                "$(openssl x509 -in "$file" -noout -enddate | cut -d= -f2)"
        done
        ;;
esac
