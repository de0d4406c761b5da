#!/bin/sh
# Where do these frames point? One line per frame: RA and Dec (J2000, degrees) and the file, or why
# not. Ends with the gravest exit status of all: 0 where every frame is solved.
#
#     NIGHTFIX=target/release/nightfix sh tests/examples/where.sh FRAME...

nightfix=${NIGHTFIX:-nightfix}
status=0
for frame in "$@"; do
    answer=$("$nightfix" solve --json -- "$frame" 2>/dev/null)
    code=$?
    if [ "$code" -eq 0 ]; then
        # Keys come in a fixed order; jq '.centre' does as well where it is installed.
        printf '%s' "$answer" |
            sed 's/.*"centre":{"ra_deg":\([^,]*\),"dec_deg":\([^,]*\),.*/\1 \2/' | tr -d '\n'
        printf ' %s\n' "$frame"
    else
        printf 'unsolved (%s) %s\n' "$code" "$frame"
        [ "$code" -gt "$status" ] && status=$code
    fi
done
exit "$status"
