#!/usr/bin/env bash
# packages.sh FOLDER DEMO WORK: installs the wheel and the .deb in FOLDER where there is no Rust, runs the
# demo with each and compares it with DEMO, verifies it, and removes the package again.
set -euo pipefail
folder=$(realpath "$1") demo=$2 work=$3
clean() { env -i HOME="$work" PATH="$1:/usr/bin:/bin" "${@:2}"; }
fail() { echo "FAILED: $*"; exit 1; }
has() {
  for part in "${@:2}"; do
    [ -s "$1/$part" ] || fail "there is no $part in $1"
  done
}

use() {
  clean "$1" sh -c '! command -v cargo' > /dev/null || fail "there is a Rust toolchain on the path"
  rm -rf "$work/demo"
  clean "$1" batterhead --quiet demo --out "$work/demo" > /dev/null
  clean "$1" batterhead verify "$work/demo/prepared"
  cmp "$work/demo/prepared/manifest-sha256.txt" "$demo/prepared/manifest-sha256.txt"
}

# Where a package has put completions and manual page, their readers find the program in them.
read_in() {
  LC_ALL=C.UTF-8 man --warnings -P cat -l "$1/$2" 2>&1 | grep -q "batterhead prep" || fail "man cannot read $2"
  bash --norc -c "source '$1/$3' && complete -p batterhead" > /dev/null || fail "bash cannot read $3"
  grep -q "^#compdef batterhead" "$1/$4" || fail "zsh has no use for $4"
}

python3 -m venv "$work/wheel"
"$work/wheel/bin/pip" install --quiet --no-index --disable-pip-version-check "$folder"/*.whl
use "$work/wheel/bin"
has "$work/wheel/share" fish/vendor_completions.d/batterhead.fish
read_in "$work/wheel/share" man/man1/batterhead.1 bash-completion/completions/batterhead zsh/site-functions/_batterhead
has "$work"/wheel/lib/python3*/site-packages/batterhead-*.dist-info \
  licenses/THIRD-PARTY.txt licenses/LICENSE-MIT licenses/LICENSE-APACHE sboms/batterhead.cyclonedx.json
"$work/wheel/bin/pip" uninstall --quiet --yes --disable-pip-version-check batterhead
left=$(find "$work/wheel" -name '*batterhead*')
[ -z "$left" ] || fail "the wheel leaves $left behind"

# Into a folder first: what is installed may leave out documentation, as images do.
dpkg-deb --extract "$folder"/*.deb "$work/deb"
has "$work/deb/usr/share" fish/vendor_completions.d/batterhead.fish doc/batterhead/copyright \
  doc/batterhead/changelog.Debian.gz \
  doc/batterhead/LICENSE-APACHE doc/batterhead/THIRD-PARTY.txt doc/batterhead/sbom.cdx.json
read_in "$work/deb/usr/share" man/man1/batterhead.1.gz bash-completion/completions/batterhead \
  zsh/vendor-completions/_batterhead
(cd "$work/deb" && dpkg-deb --ctrl-tarfile "$folder"/*.deb | tar --extract --to-stdout ./md5sums | md5sum --quiet --check)
dpkg --install "$folder"/*.deb > /dev/null
use /usr/bin
dpkg --purge batterhead > /dev/null
[ ! -e /usr/bin/batterhead ] || fail "the .deb leaves the program behind"
for package in "$folder"/*.whl "$folder"/*.deb; do
  bytes=$(stat -c %s "$package")
  [ "$bytes" -lt 20000000 ] || fail "$package has $bytes bytes"
  echo "ok: $(basename "$package"), $((bytes / 1000)) kB: installed, used, removed"
done
