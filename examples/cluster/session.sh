#!/bin/sh
# session.sh ARCHIVE.yaml NUMBER: prepares one session of the archive (counted from 0), proves the
# result, and only then leaves its stamp. Safe to repeat: a killed run goes on where it was.
#
# Exit status: 0 done (the stamp says whether files failed); 3 is worth a retry; all others of
# `batterhead` need a person first.
set -u
archive=$1
number=$2
value() { sed -n "s/^$1: *//p" "$archive"; }
session=$(sed -n 's/^  - //p' "$archive" | sed -n "$((number + 1))p")
if [ -z "$session" ]; then
  echo "session.sh: $archive has no session number $number" >&2
  exit 2
fi
takes=$(value takes)/$session
prepared=$(value prepared)/$session
stamp=$(value stamps)/$session.json

rm -f "$stamp"
batterhead --quiet --log-json prep "$takes" --out "$prepared" --jobs "$(value cores)"
status=$?
case $status in
  0 | 1) ;; # 1: a file that cannot be read costs itself, the rest is there
  *) exit "$status" ;;
esac
batterhead verify "$prepared" || exit
manifest=$(sha256sum < "$prepared/manifest-sha256.txt") || exit
mkdir -p "$(dirname "$stamp")" || exit 3
# Never half a stamp: the name comes last.
printf '{"session": "%s", "status": %d, "manifest_sha256": "%s"}\n' \
  "$session" "$status" "${manifest%% *}" > "$stamp.part" && mv "$stamp.part" "$stamp" || exit 3
