//! Who has a bench: runs that are killed, stopped or told from outside, and benches that are the same by address or by identity.

use crate::bench_run::{Rig, one_setup, rig};
use crate::support::{nightbench, program};
use std::net::{TcpListener, TcpStream};
use std::process::{Child, Command, Stdio};
use std::time::{Duration, Instant};

/// A run in the background.
fn begun(rig: &Rig) -> Child {
    let child = program()
        .current_dir(rig.folder.path())
        .args(["run", &rig.plan, "--bench", &rig.file, "--into", "out"])
        .stderr(Stdio::piped())
        .stdout(Stdio::null())
        .spawn()
        .expect("the program starts");
    let begin = Instant::now();
    while !rig.bench.world().powered() && begin.elapsed() < Duration::from_secs(30) {
        std::thread::sleep(Duration::from_millis(10));
    }
    assert!(rig.bench.world().powered(), "the run powers its device");
    child
}

fn off_within(rig: &Rig, limit: Duration) -> Duration {
    let begin = Instant::now();
    loop {
        let on = rig.bench.world().still_on();
        if on.is_empty() {
            return begin.elapsed();
        }
        assert!(begin.elapsed() < limit, "still on after {limit:?}: {on:?}");
        std::thread::sleep(Duration::from_millis(20));
    }
}

/// Nothing of the run is left; its watchdog makes the bench safe, over instruments that serve one connection only, too.
#[test]
fn a_watchdog_makes_the_bench_safe_after_a_kill() {
    for one_connection in [false, true] {
        let rig = rig(&one_setup(), 1, 0.0, 150.0);
        rig.bench.world().one_connection = one_connection;
        let mut child = begun(&rig);
        child.kill().unwrap();
        child.wait().unwrap();
        let took = off_within(&rig, Duration::from_secs(20));
        println!("off {took:?} after the kill");
        let log = std::fs::read_to_string(rig.folder.path().join("out/commands.log")).unwrap();
        assert!(log.contains("watchdog - the run ended without making the bench safe"), "{log}");
    }
}

/// A run that is stopped does nothing any more; when it wakes, it finds its bench made safe and never powers up again.
#[test]
fn a_stopped_run_that_wakes_never_powers_up_again() {
    let rig = rig(&one_setup(), 1, 0.0, 100.0);
    let child = begun(&rig);
    let signal = |name: &str| {
        let pid = child.id().to_string();
        assert!(Command::new("kill").args([&format!("-{name}"), &pid]).status().unwrap().success());
    };
    signal("STOP");
    off_within(&rig, Duration::from_secs(30));
    let before = rig.bench.world().ledger.outputs_switched_on;
    signal("CONT");
    let output = child.wait_with_output().unwrap();
    let words = String::from_utf8_lossy(&output.stderr).into_owned();
    rig.off();
    assert_eq!(rig.bench.world().ledger.outputs_switched_on, before, "{words}");
}

/// `bench safe` tells the run to end, waits, makes safe; the run never switches on again and says why.
#[test]
fn a_bench_made_safe_from_outside_stays_off() {
    let rig = rig(&one_setup(), 1, 0.0, 100.0);
    let child = begun(&rig);
    let safe = nightbench(rig.folder.path(), &["bench", "safe", &rig.file]);
    assert_eq!(safe.code, 0, "{}\n{}", safe.out, safe.err);
    assert!(safe.err.contains("is in use by process") && safe.err.contains("told to end"), "{}", safe.err);
    let before = rig.bench.world().ledger.outputs_switched_on;
    rig.off();
    let output = child.wait_with_output().unwrap();
    let words = String::from_utf8_lossy(&output.stderr).into_owned();
    assert_eq!(output.status.code(), Some(3), "{words}");
    assert!(words.contains("made safe from outside"), "{words}");
    assert_eq!(rig.bench.world().ledger.outputs_switched_on, before, "{words}");
    rig.off();
    // Whoever begins afterwards may have the bench.
    let look = nightbench(rig.folder.path(), &["bench", "check", &rig.file]);
    assert_eq!(look.code, 0, "{}\n{}", look.out, look.err);
}

/// Another name, the same addresses: the bench is in use.
#[test]
fn a_bench_is_locked_by_address() {
    let rig = rig(&one_setup(), 1, 0.0, 100.0);
    let mut child = begun(&rig);
    let text = std::fs::read_to_string(&rig.file).expect("the bench file");
    let other = rig.folder.file("other.toml", &text.replace("name = \"emulated", "name = \"another"));
    let other = other.to_str().expect("a path");
    let run = nightbench(rig.folder.path(), &["run", &rig.plan, "--bench", other, "--into", "other"]);
    assert_eq!(run.code, 5, "{}", run.err);
    assert!(run.err.contains("is in use by process"), "{}", run.err);
    assert!(rig.bench.world().powered(), "the running bench was left alone");
    let _ = Command::new("kill").args(["-TERM", &child.id().to_string()]).status();
    child.wait().unwrap();
    rig.off();
}

/// Another way to the same instrument: what comes in at a new port goes on to `to`. It ends with the test program.
fn detour(to: &str) -> String {
    let listener = TcpListener::bind("127.0.0.1:0").expect("loopback");
    let address = listener.local_addr().expect("an address").to_string();
    let to = to.to_string();
    std::thread::spawn(move || {
        for near in listener.incoming().flatten() {
            let Ok(far) = TcpStream::connect(&to) else { continue };
            for (from, into) in [(&near, &far), (&far, &near)] {
                let (Ok(mut from), Ok(mut into)) = (from.try_clone(), into.try_clone()) else { continue };
                std::thread::spawn(move || {
                    let _ = std::io::copy(&mut from, &mut into);
                    let _ = into.shutdown(std::net::Shutdown::Both);
                });
            }
        }
    });
    address
}

/// Other addresses that lead to the same instruments: by what they answer, the bench is in use, and it is left as it is.
#[test]
fn a_bench_is_locked_by_what_its_instruments_answer() {
    let rig = rig(&one_setup(), 1, 0.0, 100.0);
    let mut child = begun(&rig);
    let mut text = std::fs::read_to_string(&rig.file).expect("the bench file");
    text = text.replace("name = \"emulated", "name = \"another");
    for address in rig.bench.addresses() {
        text = text.replace(&address.to_string(), &detour(&address.to_string()));
    }
    let other = rig.folder.file("other.toml", &text);
    let other = other.to_str().expect("a path");
    let switched = rig.bench.world().ledger.outputs_switched_on;
    let run = nightbench(rig.folder.path(), &["run", &rig.plan, "--bench", other, "--into", "other"]);
    assert_eq!(run.code, 5, "{}", run.err);
    assert!(
        run.err.contains("(identity NIGHTBENCH,EMULATED") && run.err.contains("is in use by process"),
        "{}",
        run.err
    );
    assert!(rig.bench.world().powered(), "the running bench was left alone");
    assert_eq!(rig.bench.world().ledger.outputs_switched_on, switched);
    let _ = Command::new("kill").args(["-TERM", &child.id().to_string()]).status();
    child.wait().unwrap();
    rig.off();
}

/// A name, or another way of writing an address, is the same bench before anything is contacted; a name that leads nowhere is refused.
#[test]
fn a_bench_is_locked_by_where_its_addresses_lead() {
    let rig = rig(&one_setup(), 1, 0.0, 100.0);
    let mut child = begun(&rig);
    let text = std::fs::read_to_string(&rig.file).expect("the bench file");
    let text = text.replace("name = \"emulated", "name = \"another").replace("time_scale = 100.0\n", "");
    for (host, words) in [
        ("localhost", "is in use by process"),
        ("[::ffff:127.0.0.1]", "is in use by process"),
        ("no-such-host.invalid", "leads nowhere now"),
    ] {
        let other = rig.folder.file("other.toml", &text.replace("\"127.0.0.1:", &format!("\"{host}:")));
        let other = other.to_str().expect("a path");
        let run = nightbench(rig.folder.path(), &["run", &rig.plan, "--bench", other, "--into", "other"]);
        assert_eq!(run.code, 5, "{host}: {}", run.err);
        assert!(run.err.contains(words) && !run.err.contains("identity NIGHT"), "{host}: {}", run.err);
        assert!(rig.bench.world().powered(), "the running bench was left alone");
    }
    let _ = Command::new("kill").args(["-TERM", &child.id().to_string()]).status();
    child.wait().unwrap();
    rig.off();
}

/// An alarm meets whoever comes to the same instruments by another way, `bench safe` by another way ends a run.
#[test]
fn what_is_remembered_of_a_bench_is_met_by_every_way_to_it() {
    let rig = rig(&one_setup(), 1, 0.0, 100.0);
    let mut text = std::fs::read_to_string(&rig.file).expect("the bench file");
    text = text.replace("name = \"emulated", "name = \"another");
    for address in rig.bench.addresses() {
        text = text.replace(&address.to_string(), &detour(&address.to_string()));
    }
    let other = rig.folder.file("other.toml", &text);
    let other = other.to_str().expect("a path");
    // Its ramp outlasts whatever this computer is busy with.
    rig.bench.world().thermal.ramp_k_per_min = 1.0;
    let child = begun(&rig);
    let safe = nightbench(rig.folder.path(), &["bench", "safe", other]);
    assert_eq!(safe.code, 0, "{}", safe.err);
    rig.bench.world().thermal.ramp_k_per_min = 20.0;
    let before = rig.bench.world().ledger.outputs_switched_on;
    let output = child.wait_with_output().expect("the run ends");
    let words = String::from_utf8_lossy(&output.stderr);
    // Off comes before who said it is known by what the instruments answer: the run may see the rails fall first, which latches.
    let seen = ["made safe from outside", "somebody, or a protection, switched it off"];
    assert!(seen.iter().any(|seen| words.contains(seen)), "{words}");
    assert_eq!(rig.bench.world().ledger.outputs_switched_on, before, "{words}");
    let clear = nightbench(rig.folder.path(), &["bench", "clear", &rig.file]);
    assert_eq!(clear.code, 0, "{}", clear.err);
    rig.off();
    rig.bench.world().outputs[1].shorted = true;
    let shorted = rig.run(&[]);
    assert_eq!(shorted.code, 3, "{}", shorted.err);
    let after = rig.bench.world().ledger.outputs_switched_on;
    assert!(after > before);
    let run = nightbench(rig.folder.path(), &["run", &rig.plan, "--bench", other, "--into", "other"]);
    assert_eq!(run.code, 5, "{}", run.err);
    assert!(run.err.contains("an alarm is latched"), "{}", run.err);
    let check = nightbench(rig.folder.path(), &["bench", "check", other]);
    assert!(check.out.contains("ALARM, latched since"), "{}", check.out);
    assert_eq!(rig.bench.world().ledger.outputs_switched_on, after, "{}", run.err);
    rig.bench.world().outputs[1].shorted = false;
    let clear = nightbench(rig.folder.path(), &["bench", "clear", other]);
    assert_eq!(clear.code, 0, "{}", clear.err);
    let run = nightbench(rig.folder.path(), &["run", &rig.plan, "--bench", other, "--into", "other"]);
    assert!([0, 1].contains(&run.code), "{}", run.err);
    // What this way could not reach is left for whoever comes by the other.
    let first = rig.run(&[]);
    assert!([0, 1, 5].contains(&first.code), "{}", first.err);
    rig.off();
}

/// Who kills the watchdog leaves a bench that nothing would switch off: the run ends safe and says so.
#[cfg(target_os = "linux")]
#[test]
fn a_run_whose_watchdog_was_killed_ends_safe() {
    let rig = rig(&one_setup(), 1, 0.0, 100.0);
    let mut command = program();
    command.current_dir(rig.folder.path()).args(["run", &rig.plan, "--bench", &rig.file, "--into", "out"]);
    let child = command.stdout(Stdio::null()).stderr(Stdio::piped()).spawn().expect("the program starts");
    let begin = Instant::now();
    while !rig.bench.world().powered() && begin.elapsed() < Duration::from_secs(60) {
        std::thread::sleep(Duration::from_millis(5));
    }
    let parent = child.id().to_string();
    let of_run = |process: &std::fs::DirEntry| {
        let stat = std::fs::read_to_string(process.path().join("stat")).unwrap_or_default();
        let words = stat.rsplit(')').next().unwrap_or_default().split_whitespace().nth(1) == Some(&parent);
        let line = std::fs::read_to_string(process.path().join("cmdline")).unwrap_or_default();
        words && line.contains("watchdog")
    };
    let watchdog = std::fs::read_dir("/proc").expect("processes").flatten().find(of_run).expect("a watchdog");
    let id = watchdog.file_name().into_string().expect("a number");
    assert!(Command::new("kill").args(["-9", &id]).status().expect("kill").success());
    let output = child.wait_with_output().expect("the run ends");
    let words = String::from_utf8_lossy(&output.stderr);
    assert_eq!(output.status.code(), Some(3), "{words}");
    assert!(words.contains("its watchdog was ended"), "{words}");
    rig.off();
}
