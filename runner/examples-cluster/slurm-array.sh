#!/bin/bash
# One shard of a simulated plan a task of a job array.
#
#   sbatch --array=1-8 slurm-array.sh PLAN FOLDER     then     sbatch --dependency=afterany:ARRAY slurm-merge.sh FOLDER
#
# `submit.sh PLAN FOLDER SHARDS` does both. PLAN and FOLDER lie on a file system that every node sees. A task that was
# killed or ran into its time limit is submitted again with the same command: it goes on where it stopped.
#SBATCH --job-name=nightbench
#SBATCH --cpus-per-task=1
#SBATCH --output=%x-%A_%a.log
# Asks for a clean stop a minute before the time limit: what is finished is stored.
#SBATCH --signal=B:TERM@60
set -u
plan=$1 folder=$2
shards=${SLURM_ARRAY_TASK_COUNT:?run this as a job array}
first=${SLURM_ARRAY_TASK_MIN:?}
shard=$((SLURM_ARRAY_TASK_ID - first + 1))

# The batch shell waits beside the program, so that the signal reaches it.
"${NIGHTBENCH:-nightbench}" run "$plan" --into "$folder/shard-$shard" --shard "$shard/$shards" \
    --seed "${NIGHTBENCH_SEED:-1}" --threads "${SLURM_CPUS_PER_TASK:-1}" &
program=$!
trap 'kill -TERM $program' TERM INT
wait $program
code=$?
# A trapped signal ends `wait` early: the program is still stopping.
while kill -0 $program 2>/dev/null; do wait $program; code=$?; done
# 1: a verdict does not pass; 4: more shards than mountings. Neither is a failure of the task.
case $code in 0 | 1 | 4) exit 0 ;; *) exit $code ;; esac
