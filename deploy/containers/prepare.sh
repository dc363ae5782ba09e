#!/usr/bin/env bash
# Makes what compose.yaml mounts: certificates, passwords, settings, each for the user that reads it. What is there
# stays as it is, so it may be run again; the broker's files are brought up to date.
# Use: sudo ./prepare.sh [FOLDER] NAME...   names and addresses that sites reach the broker by; FOLDER: made
set -euo pipefail
here=$(cd "$(dirname "$0")" && pwd)
made=$here/made
case ${1:-} in *://*) ;; */*) made=$1; shift ;; esac
wrong=''
case " $*" in *:/*) wrong=", without scheme and port" ;; esac
if [ $# = 0 ] || [ -n "$wrong" ]; then
    echo "prepare: say by what names and addresses sites reach the broker$wrong: ./prepare.sh mqtt.example.org" >&2
    exit 2
fi
umask 077
certificates() { "$here/../mosquitto/certificates.py" --folder "$made/certificates" "$@"; }

mkdir -p "$made"/{broker,watch}/certs "$made/database"
if [ ! -e "$made/certificates/sites/ca.key" ]; then certificates init; fi
services=$made/certificates/services
# The first name names its files: the one that the service reaches it by.
[ -e "$services/issued/broker.crt" ] || certificates broker broker localhost "$@"
for program in standingwatch monitor; do
    [ -e "$services/issued/$program.crt" ] || certificates service "$program"
done

cp "$here"/../mosquitto/{mosquitto.conf,acl-service} "$made/broker/"
[ -e "$made/broker/acl-sites" ] || cp "$here/../mosquitto/acl-sites" "$made/broker/"
for kind in sites services; do
    cp "$made/certificates/$kind/ca.crt" "$made/broker/certs/$kind-ca.crt"
    cp "$made/certificates/$kind/crl.pem" "$made/broker/certs/$kind-crl.pem"
done
cp "$services/issued/"{broker,monitor}.{crt,key} "$made/broker/certs/"

cp "$services/ca.crt" "$made/watch/certs/services-ca.crt"
cp "$services/issued/standingwatch."{crt,key} "$made/watch/certs/"
[ -e "$made/watch/standingwatch.toml" ] || cp "$here/standingwatch.toml" "$made/watch/"
[ -s "$made/database/password" ] || openssl rand -hex 32 >"$made/database/password"
echo "database:5432:*:standingwatch:$(cat "$made/database/password")" >"$made/watch/pgpass"

# Each folder belongs to the user in its container, and to nobody else.
if [ "$(id -u)" = 0 ]; then
    chown -R 10002:10002 "$made/broker"
    chown -R 10001:10001 "$made/watch"
    chown -R 999:999 "$made/database"
else
    echo "prepare: run as root, or give broker to 10002, watch to 10001 and database to 999 in $made" >&2
fi
echo "prepare: ready in $made; keep $made/certificates off this machine once the sites have theirs"
