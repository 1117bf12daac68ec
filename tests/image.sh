#!/usr/bin/env bash
# Builds api/deploy/Containerfile in a clean root, without a registry and without a container engine, and asks the image
# whether it serves: bash tests/image.sh
# Its base is Debian's Python 3.13 in place of python:3.13-slim. Needs root, and Debian's buildah and debootstrap.
set -euo pipefail
cd "$(dirname "$0")/.."

place=$(mktemp -d)
trap 'rm -rf "$place"' EXIT
store() { buildah --root "$place/root" --runroot "$place/run" --storage-driver vfs "$@"; }
export BUILDAH_ISOLATION=chroot

debootstrap --variant=minbase --include=python3-venv,ca-certificates trixie "$place/debian"
ln -s /usr/bin/python3 "$place/debian/usr/local/bin/python"
cp /etc/ssl/certs/ca-certificates.crt "$place/debian/etc/ssl/certs/" # whom this machine trusts
base=$(store from scratch)
store copy -q "$base" "$place/debian" /
store commit -q "$base" docker.io/library/python:3.13-slim

store bud --pull-never --format docker -f api/deploy/Containerfile -t taperwise .

# started once, with the health check that it is built with
made=$(store from --pull=never taperwise)
check=$(sed -n 's/^HEALTHCHECK .* CMD //p' api/deploy/Containerfile)
# shellcheck disable=SC2016 # the container's own variables
store run "$made" -- sh -c '
    taperwise serve >/tmp/said 2>&1 &
    trap "kill $! 2>/dev/null" EXIT
    for _ in $(seq 60); do # two minutes at most
        sleep 2
        kill -0 $! || break
        grep -q "listens on" /tmp/said || continue # else another service could answer under this port
        if python -c "import json, subprocess, sys; subprocess.run(json.loads(sys.argv[1]), check=True)" "$1"; then
            echo "The image serves."
            exit
        fi
    done
    cat /tmp/said
    exit 1' sh "$check"
