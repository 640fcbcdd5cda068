#!/usr/bin/env bash
# Runs the README's two commands as they are written in a bare Debian of its own: python3, venv, make and nothing else.
#   sudo tests/fresh/fresh_machine.sh DIR      (DIR is made by debootstrap and kept, so that a second run is quick)
# PIPEMETAL_BIND names folders to show inside, such as a mirror of packages; PIP_* variables are handed in.
set -euo pipefail
here=$(cd "$(dirname "$0")/../.." && pwd)
root=${1:?a folder for the bare machine}
if [ ! -e "$root/usr/bin/python3" ]; then
  debootstrap --variant=minbase --include=python3,python3-venv,make,ca-certificates bookworm "$root" "${MIRROR:-http://deb.debian.org/debian}"
fi
rm -rf "$root/home/pipemetal" && mkdir -p "$root/home"
git clone --quiet "$here" "$root/home/pipemetal"
mounted=()
mount --bind /proc "$root/proc" && mounted+=("$root/proc")
for folder in ${PIPEMETAL_BIND:-}; do
  mkdir -p "$root$folder" && mount --bind "$folder" "$root$folder" && mounted+=("$root$folder")
done
trap 'for place in "${mounted[@]}"; do umount "$place" || true; done' EXIT
cp /etc/resolv.conf "$root/etc/resolv.conf" 2>/dev/null || true
cp /etc/ssl/certs/ca-certificates.crt "$root/etc/ssl/certs/ca-certificates.crt" 2>/dev/null || true
handed=(); while IFS='=' read -r name _; do handed+=("$name=${!name}"); done < <(env | grep -E '^(PIP_|https?_proxy|HTTPS?_PROXY)' || true)
# The README's block "Two commands": every line that is a command, as it stands.
sed -n '/^## Two commands/,/^## /p' "$here/README.md" | grep -oE '^    make [a-z]+' | sed 's/^ *//' | while read -r command; do
  echo "== $command"
  chroot "$root" env -i PATH=/usr/sbin:/usr/bin:/sbin:/bin HOME=/root LANG=C.UTF-8 "${handed[@]}" \
    sh -c "cd /home/pipemetal && $command" || { echo "== failed: $command"; exit 1; }
done
echo "== the README's commands ran on a bare machine"
