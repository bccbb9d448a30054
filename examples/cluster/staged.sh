#!/bin/sh
# staged.sh SESSION FROM TO SCRATCH: for storage without folders of its own, where a program cannot
# write in place. Brings FROM/SESSION to the local SCRATCH, prepares it, verifies it, sends the result
# to TO/SESSION, and its stamp last. Safe to repeat: what has its stamp is done, what is on SCRATCH
# already is not prepared again.
#
# COPY_FOLDER, COPY_FILE and HAS are the commands that copy a folder's content, copy one file, and
# succeed where a file exists; by default those of a mounted file system.
set -u
session=$1 from=$2 to=$3 scratch=$4
copy_folder() { mkdir -p "$2" && cp -R "$1/." "$2/"; }
copy_file() { cp "$1" "$2.part" && mv "$2.part" "$2"; }
COPY_FOLDER=${COPY_FOLDER:-copy_folder}
COPY_FILE=${COPY_FILE:-copy_file}
HAS=${HAS:-test -f}

if $HAS "$to/$session.json"; then
  exit 0
fi
takes=$scratch/takes/$session
prepared=$scratch/prepared/$session
stamp=$scratch/stamps/$session.json

$COPY_FOLDER "$from/$session" "$takes" || exit 3
printf 'takes: %s\nprepared: %s\nstamps: %s\ncores: %s\nsessions:\n  - %s\n' \
  "$scratch/takes" "$scratch/prepared" "$scratch/stamps" "${CORES:-2}" "$session" \
  > "$scratch/archive.yaml" || exit 3
"$(dirname "$0")/session.sh" "$scratch/archive.yaml" 0 || exit
$COPY_FOLDER "$prepared" "$to/$session" || exit 3
$COPY_FILE "$stamp" "$to/$session.json" || exit 3
rm -rf "$takes" "$prepared" "$stamp"
