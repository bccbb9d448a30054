#!/usr/bin/env bash
# packages.sh FOLDER DEMO WORK: installs the wheel and the .deb in FOLDER where there is no Rust, runs the
# demo with each and compares it with DEMO, verifies it, and removes the package again.
set -euo pipefail
folder=$1 demo=$2 work=$3
clean() { env -i HOME="$work" PATH="$1:/usr/bin:/bin" "${@:2}"; }
fail() { echo "FAILED: $*"; exit 1; }

use() {
  clean "$1" sh -c '! command -v cargo' > /dev/null || fail "there is a Rust toolchain on the path"
  rm -rf "$work/demo"
  clean "$1" batterhead --quiet demo --out "$work/demo" > /dev/null
  clean "$1" batterhead verify "$work/demo/prepared"
  cmp "$work/demo/prepared/manifest-sha256.txt" "$demo/prepared/manifest-sha256.txt"
}

python3 -m venv "$work/wheel"
"$work/wheel/bin/pip" install --quiet --no-index --disable-pip-version-check "$folder"/*.whl
use "$work/wheel/bin"
for part in share/man/man1/batterhead.1 share/bash-completion/completions/batterhead \
  share/zsh/site-functions/_batterhead share/fish/vendor_completions.d/batterhead.fish; do
  [ -s "$work/wheel/$part" ] || fail "the wheel has no $part"
done
for part in licenses/THIRD-PARTY.txt licenses/LICENSE-MIT sboms/batterhead.cyclonedx.json; do
  [ -s "$work"/wheel/lib/python3*/site-packages/batterhead-*.dist-info/$part ] || fail "the wheel has no $part"
done
"$work/wheel/bin/pip" uninstall --quiet --yes --disable-pip-version-check batterhead
left=$(find "$work/wheel" -name '*batterhead*')
[ -z "$left" ] || fail "the wheel leaves $left behind"

dpkg -i "$folder"/*.deb > /dev/null
use /usr/bin
listed=$(dpkg -L batterhead)
for part in man/man1/batterhead.1.gz bash-completion/completions/batterhead zsh/vendor-completions/_batterhead \
  fish/vendor_completions.d/batterhead.fish doc/batterhead/copyright doc/batterhead/THIRD-PARTY.txt \
  doc/batterhead/sbom.cdx.json; do
  grep -qx "/usr/share/$part" <<< "$listed" || fail "the .deb has no $part"
done
dpkg --purge batterhead > /dev/null
[ ! -e /usr/bin/batterhead ] || fail "the .deb leaves the program behind"
for package in "$folder"/*.whl "$folder"/*.deb; do
  bytes=$(stat -c %s "$package")
  [ "$bytes" -lt 20000000 ] || fail "$package has $bytes bytes"
  echo "ok: $(basename "$package"), $((bytes / 1000)) kB: installed, used, removed"
done
