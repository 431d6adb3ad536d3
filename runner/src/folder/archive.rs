//! One file for a reviewer: report, plan, notes, limits, heads and the store itself, as a tar archive that every system
//! opens (POSIX.1-1988, ustar), and back again into a folder to be looked through.

use crate::console::exit::{Exit, Failure};
use crate::folder::run_folder::EXTRA_JOBS;
use std::fs::File;
use std::io::{Read, Write};
use std::path::Path;

/// Bytes of a block.
const BLOCK: usize = 512;
/// Most bytes of a member: its size is eleven octal digits.
const MOST_BYTES: u64 = 0o77_777_777_777;

/// Appends a member, the same bytes for the same content.
pub fn add(out: &mut impl Write, name: &str, size: u64, content: &mut impl Read) -> std::io::Result<()> {
    let too_large =
        || std::io::Error::other(format!("{name}: too large or too long a name for a tar archive"));
    if size > MOST_BYTES || name.len() > 100 {
        return Err(too_large());
    }
    let mut head = [0u8; BLOCK];
    let mut put = |at: usize, text: &str| head[at..at + text.len()].copy_from_slice(text.as_bytes());
    put(0, name);
    put(100, "0000644");
    put(108, "0000000");
    put(116, "0000000");
    put(124, &format!("{size:011o}"));
    put(136, "00000000000");
    // The check sum counts itself as blanks.
    put(148, "        ");
    put(156, "0");
    put(257, "ustar\u{0}00");
    let sum: u32 = head.iter().map(|byte| u32::from(*byte)).sum();
    head[148..156].copy_from_slice(format!("{sum:06o}\0 ").as_bytes());
    out.write_all(&head)?;
    let written = std::io::copy(&mut content.take(size), out)?;
    if written != size {
        return Err(std::io::Error::other(format!("{name} changed while it was read")));
    }
    let rest = (BLOCK - (size % BLOCK as u64) as usize) % BLOCK;
    out.write_all(&[0u8; BLOCK][..rest])
}

/// Ends an archive.
pub fn end(out: &mut impl Write) -> std::io::Result<()> {
    out.write_all(&[0u8; 2 * BLOCK])
}

/// Writes the members of an archive into a folder: plain files directly in it, and in the folder of the extra jobs.
///
/// # Errors
/// Exit 74: it is no such archive, or damaged.
pub fn unpack(archive: &Path, into: &Path) -> Result<Vec<String>, Failure> {
    let broken = |words: String| {
        Failure::new(Exit::Store, format!("{}: {words}; is it an archive?", archive.display()))
    };
    let mut input = File::open(archive).map_err(|error| broken(error.to_string()))?;
    let mut names = Vec::new();
    loop {
        let mut head = [0u8; BLOCK];
        input.read_exact(&mut head).map_err(|error| broken(error.to_string()))?;
        if head.iter().all(|byte| *byte == 0) {
            return Ok(names);
        }
        let text = |range: std::ops::Range<usize>| {
            let field = &head[range];
            let end = field.iter().position(|byte| *byte == 0).unwrap_or(field.len());
            String::from_utf8_lossy(&field[..end]).trim().to_string()
        };
        let number =
            |range| u64::from_str_radix(&text(range), 8).map_err(|_| broken("no number in its head".into()));
        let sum: u64 =
            (0..BLOCK).map(|at| if (148..156).contains(&at) { 32 } else { u64::from(head[at]) }).sum();
        let (name, size) = (text(0..100), number(124..136)?);
        let within = name.strip_prefix(EXTRA_JOBS).and_then(|rest| rest.strip_prefix('/'));
        let file = within.unwrap_or(&name);
        let plain = !file.is_empty() && !file.contains(['/', '\\']) && file != "." && file != "..";
        if number(148..156)? != sum || !plain || head[156] != b'0' {
            return Err(broken("its head is damaged".into()));
        }
        if within.is_some() {
            std::fs::create_dir_all(into.join(EXTRA_JOBS)).map_err(|error| broken(error.to_string()))?;
        }
        let mut file = File::options()
            .write(true)
            .create_new(true)
            .open(into.join(&name))
            .map_err(|error| broken(error.to_string()))?;
        let copied = std::io::copy(&mut (&mut input).take(size), &mut file)
            .map_err(|error| broken(error.to_string()))?;
        let rest = (BLOCK - (size % BLOCK as u64) as usize) % BLOCK;
        let mut filler = [0u8; BLOCK];
        input.read_exact(&mut filler[..rest]).map_err(|error| broken(error.to_string()))?;
        if copied != size {
            return Err(broken(format!("{name} ends too early")));
        }
        names.push(name);
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::store::samples::Folder;

    #[test]
    fn members_come_back_and_system_tar_reads_them() {
        let folder = Folder::new();
        let archive = folder.0.join("a.tar");
        let mut out = File::create(&archive).unwrap();
        let long = vec![7u8; 1300];
        for (name, content) in [("plan.toml", &b"title"[..]), ("empty", b""), ("results.sqlite", &long)] {
            add(&mut out, name, content.len() as u64, &mut &content[..]).unwrap();
        }
        end(&mut out).unwrap();
        drop(out);
        let into = folder.0.join("into");
        std::fs::create_dir(&into).unwrap();
        assert_eq!(unpack(&archive, &into).unwrap(), ["plan.toml", "empty", "results.sqlite"]);
        assert_eq!(std::fs::read(into.join("results.sqlite")).unwrap(), long);
        if let Ok(listed) = std::process::Command::new("tar").arg("-tf").arg(&archive).output() {
            assert_eq!(String::from_utf8_lossy(&listed.stdout), "plan.toml\nempty\nresults.sqlite\n");
        }
        // Damage, and a member that would leave the folder.
        let sound = std::fs::read(&archive).unwrap();
        for (at, byte) in [(0, b'/'), (130, b'7'), (600, b'x')] {
            let other = folder.0.join(format!("into-{at}"));
            std::fs::create_dir(&other).unwrap();
            let mut bytes = sound.clone();
            bytes[at] = byte;
            std::fs::write(&archive, bytes).unwrap();
            assert_eq!(unpack(&archive, &other).is_err(), at < BLOCK);
        }
        std::fs::write(&archive, &sound[..700]).unwrap();
        let other = folder.0.join("short");
        std::fs::create_dir(&other).unwrap();
        assert!(unpack(&archive, &other).is_err());
    }
}
