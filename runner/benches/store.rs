//! Size and speed of the store: packed captures beside plain varints, recording beside a bare SQLite insert of
//! the same bytes at the same durability, what seals cost, and a folder of 100,000 jobs.
//!
//! Run with `cargo bench -p runner --bench store`; the sizes are printed first.

#[path = "../src/store/generated.rs"]
mod generated;
#[path = "../../tests/speed/stopwatch.rs"]
mod stopwatch;

use generated::raster;
use nightbench_core::random::SplitMix64;
use nightbench_core::results::{Capture, Identity, JobOutcome, JobResult, JobTimes, Readback, Visit};
use nightbench_core::units::{Celsius, Seconds, Volts};
use runner::store::{
    Attempts, Durability, JobKey, JobRow, Meta, PackedJob, Store, Target, pack_visits, unpack_visits,
};
use rusqlite::types::Value;
use rusqlite::{Connection, params, params_from_iter};
use std::hint::black_box;
use std::path::{Path, PathBuf};
use std::time::Instant;
use stopwatch::{time, time_prepared};

/// Captures of a job on a bench: read and write eye.
const CAPTURES: u64 = 2;

struct Folder(PathBuf);

impl Folder {
    fn new(name: &str) -> Folder {
        let path = std::env::temp_dir().join(format!("store-bench-{}-{name}", std::process::id()));
        std::fs::create_dir_all(&path).expect("a folder for temporary files");
        Folder(path)
    }
}

impl Drop for Folder {
    fn drop(&mut self) {
        let _ = std::fs::remove_dir_all(&self.0);
    }
}

fn key(number: u64) -> JobKey {
    let mut random = SplitMix64::new(number);
    let mut key = [0; 32];
    for chunk in key.chunks_exact_mut(8) {
        chunk.copy_from_slice(&random.next_u64().to_le_bytes());
    }
    key
}

fn row(number: u64) -> JobRow {
    JobRow {
        key: key(number),
        plan_position: number,
        chip: "chip A".into(),
        firmware: "image 7".into(),
        module: "small-outline x8".into(),
        channel: "adapter card and two risers".into(),
        rate: "DDR4-2666".into(),
        temperature: "95 degC case".into(),
        supply: "nominal".into(),
        pattern: "PRBS 7".into(),
        rate_mts: 8000.0 / 3.0,
        temperature_set_degc: 95.0,
        mounting: 1,
        repeat: 0,
        start: 0,
        started_utc: "2026-03-01T22:15:03.250Z".into(),
        ended_utc: "2026-03-01T22:16:00.000Z".into(),
        started_bench_s: 60.0 * number as f64,
        ended_bench_s: 60.0 * number as f64 + 56.75,
    }
}

fn result(captures: Vec<Capture>) -> JobResult {
    JobResult {
        outcome: JobOutcome::Measured,
        identity: Identity {
            chip_serial: "A-0007".into(),
            firmware_build: "7.1".into(),
            firmware_hash: "ab12".repeat(16),
            settings_hash: "cd34".repeat(16),
            agent_version: "1".into(),
        },
        readback: Some(Readback {
            temperature: Celsius(94.8),
            rails: vec![("VDD".into(), Volts(1.2)), ("VDDQ".into(), Volts(1.199))],
            settling: Seconds(312.5),
        }),
        trainings: vec![],
        captures,
        times: JobTimes { training_s: 33.3, measuring_s: 0.7 },
    }
}

fn create(dir: &Path, target: Target, durability: Durability) -> Store {
    let meta = Meta {
        tool_version: "0.1.0".into(),
        title: "bench".into(),
        plan_text: String::new(),
        seed: 1,
        target,
        created_utc: "2026-03-01T22:00:00.000Z".into(),
    };
    let mut store = Store::create(dir, &meta).expect("a new run folder");
    store.set_durability(durability).expect("nothing waits");
    store
}

fn on_a_bench(dir: &Path) -> Store {
    create(dir, Target::Bench("bench one".into()), Durability::EachJob)
}

/// The plain encoding to compare with: every number as a varint.
fn plain(visits: &[Visit]) -> Vec<u8> {
    let mut out = Vec::new();
    let mut put = |mut value: u64| {
        while value >= 0x80 {
            out.push(value as u8 | 0x80);
            value >>= 7;
        }
        out.push(value as u8);
    };
    for visit in visits {
        put(visit.point.tap.into());
        put(visit.point.vref.into());
        put(visit.kind as u64);
        put(visit.bits);
        visit.errors.iter().for_each(|&errors| put(errors));
    }
    out
}

fn packing() {
    println!("72 lanes, 64 x 64 points, early-stop raster; bytes:");
    println!("{:>6} {:>6} {:>9} {:>9} {:>12}", "open", "skew", "packed", "varints", "zstd 3 of it");
    for (open, skew) in [(0.3, 0.5), (0.6, 0.5), (0.6, 1.5), (0.8, 0.0), (0.8, 0.5)] {
        let capture = raster(1, 72, 64, open, skew);
        let packed = pack_visits(&capture.grid, 72, &capture.visits).expect("a valid capture");
        let varints = plain(&capture.visits);
        let squeezed = zstd::bulk::compress(&varints, 3).expect("bytes");
        println!("{open:>6} {skew:>6} {:>9} {:>9} {:>12}", packed.len(), varints.len(), squeezed.len());
    }
    let capture = raster(1, 72, 64, 0.6, 0.5);
    let packed = pack_visits(&capture.grid, 72, &capture.visits).expect("a valid capture");
    println!("capture 72 lanes 64x64");
    time("pack", || pack_visits(&capture.grid, 72, black_box(&capture.visits)).expect("a valid capture"));
    time("unpack", || unpack_visits(&capture.grid, 72, black_box(&packed)).expect("a packed capture"));
    time("plain varints", || plain(black_box(&capture.visits)));
}

/// Goal: recording takes at most 1.2 x the bare insert.
fn recording() {
    let captures: Vec<Capture> = (0..CAPTURES).map(|seed| raster(seed, 72, 64, 0.6, 0.5)).collect();
    let bytes: usize = captures
        .iter()
        .map(|capture| pack_visits(&capture.grid, 72, &capture.visits).expect("a valid capture").len())
        .sum();
    let job = result(captures);
    println!("record a job of {bytes} bytes");

    let folder = Folder::new("bare");
    let bare = Connection::open(folder.0.join("bare.sqlite")).expect("a new database");
    bare.execute_batch(
        "PRAGMA journal_mode = WAL; PRAGMA synchronous = FULL; PRAGMA wal_autocheckpoint = 0;
         CREATE TABLE results (job_key BLOB PRIMARY KEY, visits BLOB);",
    )
    .expect("a new table");
    // Bytes that cannot be told from packed ones by a database.
    let blob = vec![0xa5_u8; bytes];
    let mut number = 0;
    time("bare insert", || {
        number += 1;
        bare.prepare_cached("INSERT INTO results VALUES (?, ?)")
            .and_then(|mut insert| insert.execute(params![key(number), blob]))
            .expect("an insert")
    });
    drop(bare);
    drop(folder);

    let folder = Folder::new("packed");
    let mut store = on_a_bench(&folder.0);
    let mut number = 0;
    let prepare = || {
        number += 1;
        PackedJob::new(&row(number), &job, &[]).expect("a valid job")
    };
    time_prepared("store, packed before", prepare, |packed| store.record_packed(packed).expect("a new job"));
    drop(store);
    drop(folder);

    let folder = Folder::new("whole");
    let mut store = on_a_bench(&folder.0);
    let mut number = 0;
    time("store, packing included", || {
        number += 1;
        store.record(&row(number), &job, &[]).expect("a new job");
    });
}

/// The tables that a job goes into.
const TABLES: [&str; 5] = ["identities", "jobs", "trainings", "captures", "readings"];

/// What a job is in one table: an insertion, and the values of its rows.
type Rows = (String, Vec<Vec<Value>>);

/// The rows of every job of a store, table by table.
fn rows_of(store: &Connection, jobs: i64) -> Vec<Vec<Rows>> {
    let mut all = Vec::new();
    for job in 1..=jobs {
        let mut of_job = Vec::new();
        for table in TABLES {
            let by = match table {
                // Who answered is written once.
                "identities" if job > 1 => continue,
                "identities" => "id = (SELECT identity_id FROM jobs WHERE id = ?)",
                "jobs" => "id = ?",
                _ => "job_id = ?",
            };
            let mut select =
                store.prepare_cached(&format!("SELECT * FROM {table} WHERE {by}")).expect("a table");
            let columns = select.column_count();
            let rows = select
                .query_map([job], |row| (0..columns).map(|column| row.get(column)).collect())
                .and_then(Iterator::collect)
                .expect("rows");
            let marks = vec!["?"; columns].join(", ");
            of_job.push((format!("INSERT INTO {table} VALUES ({marks})"), rows));
        }
        all.push(of_job);
    }
    all
}

/// The same tables as a store's, emptied, without a log and seals.
fn bare_of(file: &Path, bare_file: &Path) -> Connection {
    std::fs::copy(file, bare_file).expect("a copy");
    let bare = Connection::open(bare_file).expect("the copy");
    bare.execute_batch("PRAGMA foreign_keys = OFF; DROP TABLE events; DELETE FROM meta; DELETE FROM plans")
        .expect("tables");
    for table in TABLES {
        bare.execute_batch(&format!("DELETE FROM {table}")).expect("a table");
    }
    bare.execute_batch(
        "VACUUM; PRAGMA journal_mode = WAL; PRAGMA synchronous = FULL; PRAGMA wal_autocheckpoint = 0",
    )
    .expect("a log of changes");
    // Both logs of changes begin empty: one that need not grow is synced in half the time.
    bare.query_row("PRAGMA wal_checkpoint(TRUNCATE)", [], |_| Ok(())).expect("a folded log");
    bare.set_prepared_statement_cache_capacity(64);
    bare
}

fn insert(bare: &Connection, jobs: &[Vec<Rows>]) {
    let transaction = bare.unchecked_transaction().expect("a transaction");
    for (insert, rows) in jobs.iter().flatten() {
        let mut insert = bare.prepare_cached(insert).expect("an insertion");
        for row in rows {
            insert.execute(params_from_iter(row)).expect("a row");
        }
    }
    transaction.commit().expect("room on the disk");
}

/// Goal: a sealed store takes at most 1.2 x the time of the same rows without seals: same tables, same durability, one
/// transaction a job or a group, but nothing hashed and no log. The two take turns, transaction by transaction: a
/// disk's pace changes by the minute.
fn seals() {
    let small = result(vec![raster(1, 8, 32, 0.6, 0.5)]);
    let large = result((0..CAPTURES).map(|seed| raster(seed, 72, 64, 0.6, 0.5)).collect());
    println!("sealed store against the same rows without seals; median of 9 rounds:");
    for (name, job, jobs, target, group) in [
        ("bench, a transaction a job, 72 lanes", &large, 40_u64, Target::Bench("bench one".into()), 1),
        ("bench, a transaction a job, 8 lanes", &small, 100, Target::Bench("bench one".into()), 1),
        ("simulated, 100 jobs a transaction, 8 lanes", &small, 2000, Target::Simulated, 100),
    ] {
        let record = |store: &mut Store, packed: Vec<PackedJob>| {
            for one in packed {
                store.record_packed(one).expect("a new job");
            }
            store.commit().expect("room on the disk");
        };
        let packed = |range: std::ops::Range<u64>| -> Vec<PackedJob> {
            range.map(|number| PackedJob::new(&row(number), job, &[]).expect("a valid job")).collect()
        };
        let model = Folder::new("model");
        let mut store = create(&model.0, target.clone(), Durability::Grouped);
        record(&mut store, packed(0..jobs));
        store.close().expect("nothing waits");
        let file = model.0.join("results.sqlite");
        let rows = rows_of(&Connection::open(&file).expect("the store"), jobs as i64);
        let mut ratios = Vec::new();
        let mut shown = (0.0, 0.0);
        for round in 0..9 {
            let folder = Folder::new(&format!("sealed-{round}"));
            let mut store = create(&folder.0, target.clone(), Durability::Grouped);
            let bare = bare_of(&file, &folder.0.join("bare.sqlite"));
            let (mut sealed_s, mut bare_s) = (0.0, 0.0);
            for (turn, some) in rows.chunks(group).enumerate() {
                let first = (turn * group) as u64;
                let waiting = packed(first..first + some.len() as u64);
                let seal = || {
                    let begun = Instant::now();
                    record(&mut store, waiting);
                    sealed_s += begun.elapsed().as_secs_f64();
                };
                let mut plainly = || {
                    let begun = Instant::now();
                    insert(&bare, some);
                    bare_s += begun.elapsed().as_secs_f64();
                };
                if turn % 2 == 0 {
                    seal();
                    plainly();
                } else {
                    plainly();
                    seal();
                }
            }
            store.close().expect("nothing waits");
            ratios.push(sealed_s / bare_s);
            shown = (1e3 * sealed_s / jobs as f64, 1e3 * bare_s / jobs as f64);
        }
        ratios.sort_by(f64::total_cmp);
        println!(
            "{name}: {:.2} x ({:.2} to {:.2}); the last round {:.3} ms against {:.3} ms a job",
            ratios[4], ratios[0], ratios[8], shown.0, shown.1
        );
    }
}

/// Goals: `status` under 200 ms, opening with its check under 2 s.
fn many_jobs() {
    const JOBS: u64 = 100_000;
    let folder = Folder::new("many");
    let job = result(vec![raster(1, 8, 8, 0.6, 0.5)]);
    let mut store = create(&folder.0, Target::Simulated, Durability::Grouped);
    let began = Instant::now();
    for number in 0..JOBS {
        store.record(&row(number), &job, &[]).expect("a new job");
    }
    store.commit().expect("room on the disk");
    println!("{JOBS} jobs recorded in {:.1} s", began.elapsed().as_secs_f64());
    let reader = Store::open_read_only(&folder.0).expect("a run folder");
    let status = || {
        let reader = Store::open_read_only(&folder.0).expect("a run folder");
        reader.progress().expect("counts")
    };
    time("status while the run is open", status);
    drop(reader);
    let began = Instant::now();
    store.close().expect("room on the disk");
    println!("closed in {:.2} s", began.elapsed().as_secs_f64());
    let size = std::fs::metadata(folder.0.join("results.sqlite")).expect("the database").len();
    println!("{:.0} MB in the folder", size as f64 / 1e6);
    time("status", status);
    time("open and check", || Store::open(&folder.0).expect("a run folder").close().expect("nothing waits"));
    time("list every job and unpack its captures", || {
        let reader = Store::open_read_only(&folder.0).expect("a run folder");
        let mut visits = 0;
        for job in reader.jobs(Attempts::Counting) {
            let job = job.expect("a job");
            for capture in reader.captures(&job).expect("its captures") {
                visits += capture.expect("a capture").visits.len();
            }
        }
        visits
    });
}

fn main() {
    // `-- seals` or another part alone.
    let part = std::env::args().skip(1).find(|word| !word.starts_with('-'));
    let wanted = |name: &str| part.as_deref().is_none_or(|part| part == name);
    if wanted("packing") {
        packing();
    }
    if wanted("recording") {
        recording();
    }
    if wanted("seals") {
        seals();
    }
    if wanted("many") {
        many_jobs();
    }
}
