#!/usr/bin/env bash
# Builds api/deploy/Containerfile in a clean root, without a registry and without a container engine: bash tests/image.sh
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

store bud --pull-never -f api/deploy/Containerfile -t taperwise .
