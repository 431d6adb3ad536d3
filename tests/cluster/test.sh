#!/bin/bash
# Runs the cluster examples for real: GNU parallel, then a Slurm of one node that this script starts and stops itself,
# without systemd. Needs root (or sudo) on Debian; installs slurmctld, slurmd, slurm-client, munge and parallel.
#
#   tests/cluster/test.sh [PROGRAM]       default: target/release/nightbench
set -euo pipefail
root=$(cd "$(dirname "$0")/../.." && pwd)
export NIGHTBENCH=${1:-${CARGO_TARGET_DIR:-$root/target}/release/nightbench}
NIGHTBENCH=$(realpath "$NIGHTBENCH")
examples=$root/runner/examples-cluster
[ "$(id -u)" = 0 ] || exec sudo -E "$0" "$NIGHTBENCH"

missing=()
for need in slurmctld:slurmctld slurmd:slurmd sbatch:slurm-client munged:munge parallel:parallel; do
    command -v "${need%%:*}" >/dev/null || missing+=("${need##*:}")
done
if [ ${#missing[@]} -gt 0 ]; then
    apt-get update -qq
    DEBIAN_FRONTEND=noninteractive apt-get install -y -qq --no-install-recommends "${missing[@]}" >/dev/null
fi

work=$(mktemp -d /tmp/nightbench-cluster.XXXXXX)
started=()
stop() {
    for ((i = ${#started[@]} - 1; i >= 0; i--)); do kill "${started[i]}" 2>/dev/null || true; done
    wait 2>/dev/null || true
    rm -rf "$work"
}
trap stop EXIT
say() { printf '\n== %s\n' "$*"; }
fail() { printf 'FAILED: %s\n' "$*" >&2; exit 1; }
pass_or_not() { "$@" >>"$work/log" 2>&1 || [ $? = 1 ] || { cat "$work/log"; fail "$*"; }; }
same() { # FOLDER: equal to the one run, byte for byte
    "$NIGHTBENCH" export "$1" --as csv >"$work/merged.csv"
    cmp "$work/one.csv" "$work/merged.csv" || fail "the table of $1 differs"
    cmp "$work/one/report.html" "$1/report.html" || fail "the page of $1 differs"
}

cat "$root/tests/corpus/plans/sound-small.toml" >"$work/plan.toml"
printf '\n[repeats]\nrepeats = 20\nre_seats = 2\n' >>"$work/plan.toml"

say "one run, to compare with"
pass_or_not "$NIGHTBENCH" run "$work/plan.toml" --into "$work/one"
"$NIGHTBENCH" export "$work/one" --as csv >"$work/one.csv"

say "GNU parallel, four shards"
pass_or_not "$examples/parallel.sh" "$work/plan.toml" "$work/parallel" 4
same "$work/parallel/whole"
echo "equal"

say "a Slurm of one node"
host=$(hostname -s)
conf=$work/slurm.conf
export SLURM_CONF=$conf
mkdir -p "$work/state" "$work/spool" "$work/munge"
chmod 755 "$work" "$work/munge"
dd if=/dev/urandom of="$work/munge/key" bs=1024 count=1 2>/dev/null
chmod 400 "$work/munge/key"
munged --foreground --force --key-file="$work/munge/key" --socket="$work/munge/socket" --pid-file="$work/munge/pid" \
    --log-file="$work/munge/log" --seed-file="$work/munge/seed" >"$work/munge/out" 2>&1 &
started+=($!)
cat >"$conf" <<CONF
ClusterName=nightbench
SlurmctldHost=$host(127.0.0.1)
SlurmUser=root
SlurmdUser=root
AuthType=auth/munge
AuthInfo=socket=$work/munge/socket
CredType=cred/munge
SlurmctldPort=16817
SlurmdPort=16818
StateSaveLocation=$work/state
SlurmdSpoolDir=$work/spool
SlurmctldPidFile=$work/slurmctld.pid
SlurmdPidFile=$work/slurmd.pid
SlurmctldLogFile=$work/slurmctld.log
SlurmdLogFile=$work/slurmd.log
ProctrackType=proctrack/pgid
TaskPlugin=task/none
JobAcctGatherType=jobacct_gather/none
AccountingStorageType=accounting_storage/none
MpiDefault=none
ReturnToService=2
SchedulerType=sched/builtin
SelectType=select/cons_tres
SelectTypeParameters=CR_Core
MinJobAge=300
NodeName=$host NodeAddr=127.0.0.1 CPUs=$(nproc) State=UNKNOWN
PartitionName=all Nodes=$host Default=YES MaxTime=INFINITE State=UP
CONF
for _ in $(seq 50); do [ -S "$work/munge/socket" ] && break; sleep 0.2; done
[ -S "$work/munge/socket" ] || { cat "$work/munge/out" "$work/munge/log"; fail "munge does not start"; }
slurmctld -D -i -f "$conf" >"$work/slurmctld.out" 2>&1 &
started+=($!)
slurmd -D -f "$conf" -N "$host" >"$work/slurmd.out" 2>&1 &
started+=($!)
for _ in $(seq 100); do
    sinfo -h -o %t 2>/dev/null | grep -q idle && break
    sleep 0.3
done
sinfo -h -o %t 2>/dev/null | grep -q idle || {
    tail -n 30 "$work/slurmctld.log" "$work/slurmd.log" "$work/slurmctld.out" "$work/slurmd.out"
    fail "the node does not become idle"
}
sinfo

say "job array of five shards with a dependent merge"
merge=$("$examples/submit.sh" "$work/plan.toml" "$work/array" 5)
for _ in $(seq 300); do
    state=$(scontrol show job "$merge" -o 2>/dev/null | grep -o 'JobState=[A-Z_]*' || true)
    case $state in *COMPLETED | *FAILED | *CANCELLED | *TIMEOUT) break ;; esac
    sleep 0.5
done
scontrol show job -o | grep -o 'JobId=[0-9]*\|ArrayTaskId=[0-9]*\|JobState=[A-Z]*\|ExitCode=[0-9:]*' | paste -sd' ' | sed 's/ JobId/\nJobId/g'
same "$work/array/whole"
echo "equal"

say "a lost shard is named, run again, and merged"
rm -rf "$work/array/shard-2" "$work/array/whole"
code=0
"$NIGHTBENCH" merge "$work/array/whole" "$work/array"/shard-*/ >"$work/part" 2>&1 || code=$?
[ $code = 3 ] || { cat "$work/part"; fail "a merge without a shard ended with $code"; }
grep -q 'of shard 2/5' "$work/part" || { cat "$work/part"; fail "the missing shard is not named"; }
merge=$("$examples/submit.sh" "$work/plan.toml" "$work/array" 5)
for _ in $(seq 300); do
    state=$(scontrol show job "$merge" -o 2>/dev/null | grep -o 'JobState=[A-Z_]*' || true)
    case $state in *COMPLETED | *FAILED | *CANCELLED | *TIMEOUT) break ;; esac
    sleep 0.5
done
same "$work/array/whole"
echo "equal"
