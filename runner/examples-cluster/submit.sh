#!/bin/bash
# submit.sh PLAN FOLDER SHARDS: an array of shards and, when all have ended, the merge. Prints the merge's job number.
set -eu
here=$(cd "$(dirname "$0")" && pwd)
plan=$(realpath "$1") shards=$3
mkdir -p "$2"
folder=$(realpath "$2")
cd "$folder"
array=$(sbatch --parsable --array="1-$shards" "$here/slurm-array.sh" "$plan" "$folder")
# afterany, not afterok: the merge names the shards that are missing.
sbatch --parsable --dependency="afterany:$array" "$here/slurm-merge.sh" "$folder"
