#!/usr/bin/env bash
# Installs Standing Watch as a service of systemd, brings it up to date, undoes the last step, takes it away.
#
#   deploy/install.sh install [WHEEL]   the wheel, or this checkout; the same again changes nothing
#   deploy/install.sh undo              back to the version before, and forward again the next time
#   deploy/install.sh remove [--purge]  programs and units; with --purge settings, data and user as well
#
# Options before the word:
#   --root DIR       into a tree that is not running: an image, a chroot, a container. It has to have the same
#                    Python as this machine. Nothing is started.
#   --wheels DIR     take all packages from a folder, for machines without a network (pip download makes it)
#   --no-start       leave the service as it is, running or not
#
# /opt/standingwatch  programs: a folder for each version, `current` and `previous` name two of them
# /etc/standingwatch  settings; /var/lib/standingwatch  data. An install never changes what it finds there.
set -euo pipefail
here=$(cd "$(dirname "${BASH_SOURCE[0]}")" && pwd)

fail() { echo "install.sh: $*" >&2; exit 1; }
usage() { sed -n '2,/^# Options/p' "${BASH_SOURCE[0]}" | sed '$d; s/^# \{0,1\}//' >&2; exit 2; }

root='' wheels='' start=yes
while [ $# -gt 0 ]; do
    case $1 in
    --root) [ $# -ge 2 ] || usage; root=$2; shift 2 ;;
    --wheels) [ $# -ge 2 ] || usage; wheels=$2; shift 2 ;;
    --no-start) start=no; shift ;;
    -*) usage ;;
    *) break ;;
    esac
done
[ $# -ge 1 ] || usage
word=$1; shift
if [ -n "$root" ]; then
    [ -d "$root" ] || fail "--root $root: there is no such folder; make the tree first"
    root=$(cd "$root" && pwd)
    [ "$root" != / ] || root=''
fi
[ -z "$wheels" ] || [ -d "$wheels" ] || fail "--wheels $wheels: there is no such folder"
[ "$(id -u)" = 0 ] || fail "has to be run by root: sudo deploy/install.sh $word"

# PYTHON names another interpreter than the system's own.
python=${PYTHON:-/usr/bin/python3}
opt=/opt/standingwatch etc=/etc/standingwatch data=/var/lib/standingwatch
units=/etc/systemd/system backups=/var/backups/standingwatch
unit=$units/standingwatch.service nightly=$units/standingwatch-backup
users=/etc/sysusers.d/standingwatch.conf folders=/etc/tmpfiles.d/standingwatch.conf
rotation=/etc/logrotate.d/standingwatch
command=/usr/local/bin/standingwatch

# Whether there is a systemd to speak to: not in a tree, nor in most containers.
runs() { [ -z "$root" ] && [ -d /run/systemd/system ]; }

needs() {
    for one in "$@"; do
        command -v "$one" >/dev/null || fail "$one is missing; on Debian: apt install python3-venv systemd"
    done
}

# put MODE FILE PLACE: a file in its place, only where it differs; says so.
put() {
    if cmp -s "$2" "$root$3"; then return; fi
    install -D -m "$1" "$2" "$root$3"
    echo "wrote $3"
}

# point LINK VERSION: in one step, so that there is no moment without a program.
point() {
    ln -sfn "$2" "$root$opt/.$1.new"
    mv -T "$root$opt/.$1.new" "$root$opt/$1"
}

named() { readlink "$root$opt/$1" || true; }

# The wheel that is given, or one made of this checkout in a folder of its own.
find_wheel() {
    if [ $# -gt 0 ]; then
        [ -f "$1" ] || fail "$1: there is no such file; give a wheel (.whl), or nothing for this checkout"
        case $1 in *.whl) ;; *) fail "$1: not a wheel; give a file that ends .whl" ;; esac
        "$python" -m zipfile -t "$1" >/dev/null 2>&1 || fail "$1: damaged; copy it anew. Nothing was changed"
        wheel=$(realpath "$1")
        return
    fi
    [ -f "$here/../pyproject.toml" ] || fail "this is no checkout; give a wheel: install.sh install FILE.whl"
    "$python" -m venv "$scratch/build"
    "$scratch/build/bin/python" -m pip wheel -q --no-deps ${wheels:+--no-index --find-links "$wheels"} \
        -w "$scratch/wheel" "$here/.."
    wheel=$(echo "$scratch"/wheel/*.whl)
}

# make_version VERSION: a virtual environment under a name that it has only when it is whole.
make_version() {
    local place=$opt/versions/$1
    rm -rf "$root$place"
    # Scripts in it name the folder that they are in, so that it is made where it stays.
    "$python" -m venv "$root$place"
    local constraints=()
    [ ! -f "$here/constraints.txt" ] || constraints=(-c "$here/constraints.txt")
    "$root$place/bin/python" -m pip install -q --disable-pip-version-check --no-compile "${constraints[@]}" \
        ${wheels:+--no-index --find-links "$wheels"} "${wheel}[postgres]" ||
        fail "the packages could not be installed (see above); the version in use is untouched"
    if [ -n "$root" ]; then
        # In the tree it stands without the tree's own path.
        grep -rlI --exclude-dir=site-packages -e "$root$place" "$root$place/bin" "$root$place/pyvenv.cfg" |
            while read -r file; do sed -i "s|$root$place|$place|g" "$file"; done
    fi
    "$python" -m compileall -q -s "$root" -p / "$root$place/lib" >/dev/null ||
        echo "some modules could not be compiled ahead; they are at their first use"
    touch "$root$place/.whole"
}

do_install() {
    [ $# -le 1 ] || usage
    needs "$python" systemd-sysusers systemd-tmpfiles systemctl
    [ ! -e "$root/usr/lib/standingwatch" ] ||
        fail "it is installed here as a package; first: apt-get remove standingwatch (settings and data stay)"
    "$python" -c 'import sys; sys.exit(sys.version_info < (3, 11))' ||
        fail "Python 3.11 or later is needed, this is $("$python" --version)"
    "$python" -c 'import ensurepip' 2>/dev/null || fail "python3-venv is missing; on Debian: apt install python3-venv"
    scratch=$(mktemp -d)
    trap 'rm -rf "$scratch"' EXIT
    find_wheel "$@"
    local name version now
    name=$(basename "$wheel")
    # The same version built anew is another one: it is told apart by what is in it.
    version=$(echo "$name" | cut -d- -f2)-$(sha256sum "$wheel" | cut -c1-12)
    [[ $version =~ ^[0-9A-Za-z.+_]+-[0-9a-f]{12}$ ]] || fail "$name: not named as wheels are"
    now=$(named current)

    put 0644 "$here/systemd/sysusers.conf" "$users"
    put 0644 "$here/systemd/tmpfiles.conf" "$folders"
    systemd-sysusers ${root:+--root="$root"} "$root$users"
    [ -e "$root$etc/standingwatch.toml" ] || put 0640 "$here/systemd/standingwatch.toml" "$etc/standingwatch.toml"
    systemd-tmpfiles ${root:+--root="$root"} --create "$root$folders"

    if [ ! -e "$root$opt/versions/$version/.whole" ]; then
        make_version "$version"
        echo "installed $version"
    fi
    [ ! -f "$here/../config/standingwatch.toml" ] ||
        put 0644 "$here/../config/standingwatch.toml" "$opt/share/standingwatch.toml"
    put 0755 "$here/systemd/standingwatch" "$command"
    put 0644 "$here/systemd/logrotate.conf" "$rotation"
    local changed=no
    cmp -s "$here/systemd/standingwatch.service" "$root$unit" || changed=yes
    put 0644 "$here/systemd/standingwatch.service" "$unit"
    put 0644 "$here/systemd/standingwatch-backup.service" "$nightly.service"
    put 0644 "$here/systemd/standingwatch-backup.timer" "$nightly.timer"
    if [ "$now" != "versions/$version" ]; then
        [ -z "$now" ] || point previous "$now"
        point current "versions/$version"
        changed=yes
        echo "in use: $version${now:+, before: ${now#versions/}}"
        tidy
    fi
    systemctl ${root:+--root="$root"} -q enable standingwatch.service standingwatch-backup.timer
    if [ "$changed" = yes ]; then start_again; else echo "nothing to do: $version is in use"; fi
    [ -n "$now" ] || echo "next: write $etc/standingwatch.toml and the site list, then: systemctl restart standingwatch"
}

# Versions that are neither in use nor the one before are deleted.
tidy() {
    local one
    for one in "$root$opt"/versions/*; do
        case versions/$(basename "$one") in
        "$(named current)" | "$(named previous)") ;;
        *) rm -rf "$one" ;;
        esac
    done
}

start_again() {
    if ! runs || [ "$start" = no ]; then
        echo "not started: $([ "$start" = no ] && echo 'as asked' || echo 'no systemd runs here')"
        return
    fi
    systemctl daemon-reload
    # As long as there is no site list it cannot start; the words of why are in the journal.
    systemctl restart --no-block standingwatch.service
    systemctl restart standingwatch-backup.timer
    echo "started; see: systemctl status standingwatch, and standingwatch status --settings $etc/standingwatch.toml"
}

do_undo() {
    [ $# = 0 ] || usage
    local now before
    now=$(named current) before=$(named previous)
    [ -n "$before" ] || fail "there is no version before the one in use; nothing was changed"
    [ -e "$root$opt/$before/.whole" ] || fail "$before is not whole any more; install its wheel again"
    point current "$before"
    point previous "$now"
    echo "in use: ${before#versions/}, before: ${now#versions/}"
    echo "an older program refuses a store of a newer layout: then restore the backup from before the upgrade"
    start_again
}

do_remove() {
    local purge=no
    case ${1-} in --purge) purge=yes ;; '') ;; *) usage ;; esac
    local ours=(standingwatch.service standingwatch-backup.timer)
    if runs; then
        systemctl -q disable --now "${ours[@]}" 2>/dev/null || true
        # One that is being made ends with its program.
        systemctl -q stop standingwatch-backup.service 2>/dev/null || true
    fi
    if [ -n "$root" ] && [ -e "$root$unit" ]; then systemctl --root="$root" -q disable "${ours[@]}"; fi
    rm -rf "$root$opt"
    rm -f "$root$unit" "$root$nightly".{service,timer} "$root$users" "$root$folders" "$root$rotation" "$root$command"
    if runs; then systemctl daemon-reload; fi
    if [ "$purge" = yes ]; then
        rm -rf "$root$etc" "$root$data" "$root/var/cache/standingwatch"
        if [ -d "$root$backups" ] && ! rmdir "$root$backups" 2>/dev/null; then
            echo "backups stay in $backups: delete them yourself if nobody needs them"
        fi
        if [ -n "$root" ]; then
            sed -i '/^standingwatch:/d' "$root"/etc/{passwd,group,shadow,gshadow} 2>/dev/null || true
        elif id standingwatch >/dev/null 2>&1; then
            userdel standingwatch
        fi
        echo "removed, with settings and data"
    else
        echo "removed; settings and data are still in $etc and $data"
    fi
}

case $word in
install | upgrade) do_install "$@" ;;
undo) do_undo "$@" ;;
remove) do_remove "$@" ;;
*) usage ;;
esac
