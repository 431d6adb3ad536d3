#!/bin/bash
# Merges the shards of FOLDER into FOLDER/whole; depends on the array (see slurm-array.sh). Ends with the exit code of
# the whole run, 3 if a shard is missing: its name stands in the log.
#SBATCH --job-name=nightbench-merge
#SBATCH --cpus-per-task=1
#SBATCH --output=%x-%j.log
set -eu
folder=$1
exec "${NIGHTBENCH:-nightbench}" merge "$folder/whole" "$folder"/shard-*
