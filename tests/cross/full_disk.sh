#!/usr/bin/env bash
# `prep` on a disk that is too small: status 3, the missing amount told, no half file, and the same
# command goes on once there is room. Needs root for the small file system.
set -euo pipefail
program=${1:-target/debug/batterhead}
work=$(mktemp -d "${TMPDIR:-/tmp}/batterhead-disk-XXXXXX")
trap 'umount "$work/out" 2>/dev/null || true; rm -rf "$work"' EXIT
"$program" demo --out "$work/demo" --quiet >/dev/null
mkdir "$work/out"
fail() { echo "full disk: $*" >&2; exit 1; }

# Asked for first: nothing is rendered.
mount -t tmpfs -o size=40m tmpfs "$work/out"
status=0
"$program" prep "$work/demo/takes" --out "$work/out" --quiet >/dev/null 2>"$work/said" || status=$?
[ "$status" = 3 ] || fail "status $status instead of 3: $(cat "$work/said")"
grep -q missing "$work/said" || fail "the missing amount is not told: $(cat "$work/said")"
[ -z "$(find "$work/out/stems" -name '*.wav' 2>/dev/null | head -1)" ] || fail "something was rendered"

# Full in the middle: something else takes the room that was there.
mount -o remount,size=400m "$work/out"
(while [ -z "$(find "$work/out/stems" -name '*.wav' 2>/dev/null | head -1)" ]; do sleep 0.05; done
 head -c 390m /dev/zero >"$work/out/.batterhead/filler" 2>/dev/null || true) &
status=0
"$program" prep "$work/demo/takes" --out "$work/out" --quiet >/dev/null 2>"$work/said" || status=$?
wait
[ "$status" = 3 ] || fail "status $status instead of 3 with the disk full half-way: $(cat "$work/said")"
[ -z "$(find "$work/out" -name '*.part' | head -1)" ] || fail "a half file is left: $(find "$work/out" -name '*.part')"

# Room again: the same command goes on, and the tree is that of an undisturbed run.
rm -f "$work/out/.batterhead/filler"
"$program" prep "$work/demo/takes" --out "$work/out" --quiet >/dev/null
"$program" verify "$work/out"
diff <(cd "$work/demo/prepared" && sha256sum -c --quiet manifest-sha256.txt && sort manifest-sha256.txt) \
     <(sort "$work/out/manifest-sha256.txt") || fail "the tree differs from an undisturbed run"
echo "full disk: status 3 twice, no half file, the tree of an undisturbed run afterwards"
