//! Which pages of a run folder are shown, and to whom.

use super::http::{Answer, Request};
use crate::console::exit::Failure;
use crate::evaluate::eye_page;
use crate::evaluate::judging::{JudgedBy, JudgedFolder};
use crate::evaluate::live::LIVE_PAGE;
use crate::folder::eye_summaries::CacheUse;
use crate::store::{Attempts, Holder, Progress, Store};
use nightbench_core::results::JobOutcome;
use pages::report::{Served, ServedEye, build_served};
use plan::keys::short_key;
use std::io::Read;
use std::path::{Path, PathBuf};
use std::sync::{Mutex, PoisonError};
use std::time::Duration;

/// Pages of a run folder that are files, with what each is.
const PAGES: [(&str, &str); 4] = [
    (LIVE_PAGE, "the live page"),
    ("report.html", "the report"),
    ("what-if.html", "what if: judged by other limits"),
    ("compare.html", "the comparison with a baseline"),
];
/// Eyes listed.
const MOST_EYES: usize = 400;
/// Largest file that is shown.
const MOST_BYTES: u64 = 256 << 20;
/// A wrong token is answered after this: guessing takes for ever.
const WRONG_TOKEN: Duration = Duration::from_secs(1);
const COOKIE: &str = "nightbench";

const NOT_FOUND: (u16, &str) = (404, "Not Found");
const FORBIDDEN: (u16, &str) = (403, "Forbidden");

/// A run folder that is shown.
pub struct Site {
    dir: PathBuf,
    token: Option<String>,
    /// Reached from this computer only.
    loopback: bool,
    /// The folder as judged last, and how far the run was: one eye is drawn at a time.
    judged: Mutex<Option<(Progress, JudgedFolder)>>,
}

impl Site {
    /// Of a run folder.
    ///
    /// # Errors
    /// Exit 2: no such folder; exit 74: its store cannot be read.
    pub fn new(dir: &Path, token: Option<String>, loopback: bool) -> Result<Site, Failure> {
        Store::open_read_only(dir)?;
        Ok(Site { dir: dir.to_owned(), token, loopback, judged: Mutex::new(None) })
    }

    /// What a request gets.
    pub fn answer(&self, request: &Request) -> Answer {
        // A page elsewhere whose name leads here must not read on behalf of whoever looks at it.
        if self.loopback && self.token.is_none() && !is_this_computer(&request.host) {
            return Answer::words(FORBIDDEN, "this is shown as localhost and 127.0.0.1 only");
        }
        if let Some(token) = &self.token {
            let given = request.question.split('&').find_map(|part| part.strip_prefix("token="));
            if given.is_some_and(|given| same(given, token)) {
                let mut answer = Answer::words((303, "See Other"), "");
                // Two slashes would lead to another computer.
                let here = request.path.starts_with('/') && !request.path[1..].starts_with(['/', '\\']);
                answer.headers.push(("Location", if here { request.path.clone() } else { "/".into() }));
                let cookie = format!("{COOKIE}={token}; Path=/; HttpOnly; SameSite=Strict");
                answer.headers.push(("Set-Cookie", cookie));
                return answer;
            }
            let known = request.cookie.split(';').filter_map(|part| part.trim().split_once('='));
            if !known.into_iter().any(|(name, value)| name == COOKIE && same(value, token)) {
                std::thread::sleep(WRONG_TOKEN);
                return Answer::words(FORBIDDEN, "a token is needed: come by /?token=TOKEN once");
            }
        }
        let name = request.path.strip_prefix('/').unwrap_or_default();
        if name.is_empty() {
            return self.index();
        }
        if let Some(key) = name.strip_prefix("eye/") {
            return self.eye(key);
        }
        match PAGES.iter().find(|(page, _)| *page == name) {
            Some((page, _)) => self.file(page),
            None => Answer::words(NOT_FOUND, "no such page"),
        }
    }

    /// A page that is a plain file of the folder.
    fn file(&self, name: &str) -> Answer {
        let path = self.dir.join(name);
        let plain = |path: &Path| path.symlink_metadata().is_ok_and(|found| found.is_file());
        if !plain(&path) {
            return Answer::words(NOT_FOUND, "this page is not there yet");
        }
        let mut bytes = Vec::new();
        let read = std::fs::File::open(&path).and_then(|file| file.take(MOST_BYTES).read_to_end(&mut bytes));
        match read {
            Ok(_) => Answer::page(bytes),
            Err(error) => failed(&error.to_string()),
        }
    }

    /// Links to everything.
    fn index(&self) -> Answer {
        let served = || -> Result<String, Failure> {
            let reader = Store::open_read_only(&self.dir)?;
            let meta = reader.meta()?;
            let is_there = |name: &str| self.dir.join(name).is_file();
            let pages = PAGES.iter().filter(|(name, _)| is_there(name));
            let mut eyes = Vec::new();
            let mut more = 0;
            for stored in reader.jobs(Attempts::Counting) {
                let stored = stored?;
                if stored.outcome != JobOutcome::Measured {
                    continue;
                }
                if eyes.len() == MOST_EYES {
                    more += 1;
                    continue;
                }
                let row = &stored.row;
                let levels = [&row.chip, &row.module, &row.channel, &row.rate, &row.temperature, &row.supply];
                eyes.push(ServedEye {
                    key: short_key(&row.key),
                    name: levels.map(String::as_str).join(", "),
                    job: format!(
                        "mounting {}, repeat {}, start {}",
                        row.mounting + 1,
                        row.repeat + 1,
                        row.start + 1
                    ),
                });
            }
            let served = Served {
                title: meta.title,
                running: Holder::running_in(&self.dir).is_some(),
                pages: pages.map(|(name, what)| (name.to_string(), what.to_string())).collect(),
                eyes,
                more,
            };
            build_served(&served).map_err(|error| Failure::invalid(error.to_string()))
        };
        match served() {
            Ok(html) => Answer::page(html.into_bytes()),
            Err(failure) => failed(&failure.words),
        }
    }

    /// The eyes of one job, drawn now.
    fn eye(&self, key: &str) -> Answer {
        if key.len() > 64 || !key.bytes().all(|byte| byte.is_ascii_hexdigit()) {
            return Answer::words(NOT_FOUND, "no such job");
        }
        let mut judged = self.judged.lock().unwrap_or_else(PoisonError::into_inner);
        let mut drawn = || -> Result<String, Failure> {
            let reader = Store::open_read_only(&self.dir)?;
            let progress = reader.progress()?;
            if judged.as_ref().is_none_or(|(then, _)| *then != progress) {
                let by = JudgedBy { instead: None, all_sets: false, cache: CacheUse::Look };
                *judged = Some((progress, JudgedFolder::read(&self.dir, &reader, by)?));
            }
            match judged.as_ref() {
                Some((_, folder)) => Ok(eye_page::draw(folder, &reader, key)?.0),
                None => Err(Failure::invalid("nothing is judged")),
            }
        };
        match drawn() {
            Ok(html) => Answer::page(html.into_bytes()),
            Err(failure) => Answer::words(NOT_FOUND, &failure.words),
        }
    }
}

fn failed(words: &str) -> Answer {
    Answer::words((500, "Internal Server Error"), words)
}

/// Is that how this computer calls itself?
fn is_this_computer(host: &str) -> bool {
    let name = match host.strip_prefix('[') {
        Some(rest) => rest.split(']').next().unwrap_or_default(),
        None => host.split(':').next().unwrap_or_default(),
    };
    ["localhost", "127.0.0.1", "::1"].contains(&name)
}

/// Are two texts the same? Takes as long whichever place differs.
fn same(a: &str, b: &str) -> bool {
    a.len() == b.len() && a.bytes().zip(b.bytes()).fold(0, |differ, (a, b)| differ | (a ^ b)) == 0
}
