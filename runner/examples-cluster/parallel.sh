#!/bin/bash
# parallel.sh PLAN FOLDER SHARDS: the shards of a simulated plan on one host with GNU parallel, one a core, then merged.
# Begun again after an interruption, it goes on where it stopped.
set -eu
plan=$1 folder=$2 shards=$3
export NIGHTBENCH=${NIGHTBENCH:-nightbench}
mkdir -p "$folder"
one() {
    "$NIGHTBENCH" run "$1" --into "$2/shard-$4" --shard "$4/$3" --seed "${NIGHTBENCH_SEED:-1}" --threads 1 \
        >"$2/shard-$4.log" 2>&1
    code=$?
    # 1: a verdict does not pass; 4: more shards than mountings.
    case $code in 0 | 1 | 4) return 0 ;; *) cat "$2/shard-$4.log" >&2; return $code ;; esac
}
export -f one
SHELL=/bin/bash parallel --will-cite --halt soon,fail=1 one "$plan" "$folder" "$shards" ::: $(seq "$shards")
exec "$NIGHTBENCH" merge "$folder/whole" "$folder"/shard-*/
