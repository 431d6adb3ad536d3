//! What the terminal may show: colour, width, and output that survives a closed pipe.

use crate::console::teller::tell;
use nightbench_core::text::hides;
use std::borrow::Cow;
use std::io::{ErrorKind, IsTerminal, Write};
use std::sync::OnceLock;

/// The first fault of stdout.
static UNWRITTEN: OnceLock<String> = OnceLock::new();

/// How to write to the terminal.
#[derive(Debug, Clone, Copy)]
pub struct Terminal {
    /// Colour on stdout.
    pub colour_out: bool,
    /// Colour on stderr.
    pub colour_err: bool,
    /// stderr is a terminal that can redraw lines.
    pub animated: bool,
}

impl Terminal {
    /// Looks at the environment: colour is off when not a terminal, with NO_COLOR, TERM=dumb or `--no-color`.
    pub fn detect(no_color: bool) -> Terminal {
        let plain = no_color
            || std::env::var_os("NO_COLOR").is_some_and(|value| !value.is_empty())
            || std::env::var_os("TERM").is_some_and(|term| term == "dumb");
        let dumb = std::env::var_os("TERM").is_some_and(|term| term == "dumb");
        let (out, err) = (std::io::stdout().is_terminal(), std::io::stderr().is_terminal());
        Terminal {
            colour_out: out && !plain && reads_colours(&console::Term::stdout()),
            colour_err: err && !plain && reads_colours(&console::Term::stderr()),
            animated: err && !dumb,
        }
    }

    /// Writes a text, [`shown`], and a line end to stdout; a closed pipe ends the output quietly, any other fault is
    /// kept for [`Terminal::unwritten`].
    pub fn out(&self, text: &str) {
        self.put(&shown(text));
    }

    fn put(&self, text: &str) {
        let mut out = std::io::stdout().lock();
        let written = writeln!(out, "{text}").and_then(|()| out.flush());
        if let Err(error) = written
            && error.kind() != ErrorKind::BrokenPipe
        {
            let _ = UNWRITTEN.set(error.to_string());
        }
    }

    /// Why something could not be written to stdout.
    pub fn unwritten(&self) -> Option<&'static str> {
        UNWRITTEN.get().map(String::as_str)
    }

    /// As [`Terminal::out`], for words that were coloured for stdout: colours stay if the terminal has any.
    pub fn out_coloured(&self, text: &str) {
        self.put(&if self.colour_out { escaped(text, colour_code) } else { shown(text) });
    }

    /// Columns of stdout; 80 where it is no terminal.
    pub fn columns(&self) -> usize {
        console::Term::stdout().size_checked().map_or(COLUMNS, |(_, columns)| usize::from(columns))
    }

    /// Writes a text, [`shown`], and a line end to stderr.
    pub fn note(&self, text: &str) {
        let text = shown(text).into_owned();
        tell(move || drop(writeln!(std::io::stderr().lock(), "{text}")));
    }

    /// As [`Terminal::note`], for words that were coloured for stderr: colours stay if the terminal has any.
    pub fn note_coloured(&self, text: &str) {
        let text = if self.colour_err { escaped(text, colour_code) } else { shown(text) };
        let text = text.into_owned();
        tell(move || drop(writeln!(std::io::stderr().lock(), "{text}")));
    }
}

/// Does a terminal read colour codes? A console of Windows has to be asked to, and older ones refuse.
fn reads_colours(terminal: &console::Term) -> bool {
    !cfg!(windows) || terminal.features().colors_supported()
}

/// A text that steers no terminal: controls other than line end and tab, and invisible marks that turn the writing
/// round, are written as `\u001b`. That is JSON's way too, so that JSON keeps its meaning.
pub fn shown(text: &str) -> Cow<'_, str> {
    escaped(text, |_| 0)
}

/// Escapes what [`shown`] escapes but the first bytes that `kept` counts at an escape character.
fn escaped(text: &str, kept: impl Fn(&str) -> usize) -> Cow<'_, str> {
    if !text.contains(hides) {
        return Cow::Borrowed(text);
    }
    let mut out = String::with_capacity(text.len() + 16);
    let mut rest = text;
    while let Some(at) = rest.find(hides) {
        let (before, from) = rest.split_at(at);
        out.push_str(before);
        let (keep, after) = from.split_at(kept(from));
        out.push_str(keep);
        rest = after;
        if keep.is_empty() {
            let mut characters = from.chars();
            let number = characters.next().map_or(0, u32::from);
            out.push_str(&format!("\\u{number:04x}"));
            rest = characters.as_str();
        }
    }
    out.push_str(rest);
    Cow::Owned(out)
}

/// Bytes of the colour code that the text begins with (ECMA-48 SGR: `ESC [ numbers m`); 0 if there is none.
fn colour_code(text: &str) -> usize {
    let numbers = text.strip_prefix("\u{1b}[");
    let end = numbers.and_then(|rest| rest.find(|c: char| !c.is_ascii_digit() && c != ';'));
    match (numbers, end) {
        (Some(rest), Some(end)) if rest[end..].starts_with('m') => 2 + end + 1,
        _ => 0,
    }
}

/// Lays rows out in columns: the first column left, the others right, two blanks between.
pub fn table(header: &[&str], rows: &[Vec<String>], left: usize) -> String {
    let columns = header.len();
    let mut widths: Vec<usize> = header.iter().map(|word| word.chars().count()).collect();
    for row in rows {
        for (width, cell) in widths.iter_mut().zip(row) {
            *width = (*width).max(cell.chars().count());
        }
    }
    let line = |cells: &[&str]| {
        let mut text = String::new();
        for (index, cell) in cells.iter().enumerate().take(columns) {
            if index > 0 {
                text.push_str("  ");
            }
            let pad = " ".repeat(widths[index].saturating_sub(cell.chars().count()));
            if index < left {
                text.push_str(cell);
                text.push_str(&pad);
            } else {
                text.push_str(&pad);
                text.push_str(cell);
            }
        }
        text.trim_end().to_string()
    };
    let mut lines = vec![line(header)];
    for row in rows {
        lines.push(line(&row.iter().map(String::as_str).collect::<Vec<_>>()));
    }
    lines.join("\n")
}

/// Width the text keeps to.
const COLUMNS: usize = 80;

/// A line folded at blanks to the terminal's width, with a line end.
pub fn folded(words: &str, first: &str, further: &str) -> String {
    let mut text = String::from(first);
    let mut column = first.chars().count();
    let mut fresh = true;
    for word in words.split_inclusive(' ') {
        let wide = word.trim_end().chars().count();
        if !fresh && column + wide > COLUMNS {
            text.truncate(text.trim_end().len());
            text.push('\n');
            text.push_str(further);
            column = further.chars().count();
        }
        text.push_str(word);
        column += word.chars().count();
        fresh = false;
    }
    text.truncate(text.trim_end_matches(' ').len());
    text.push('\n');
    text
}

/// A number of seconds as a person says it: `42 s`, `3 min 05 s`, `12 h 30 min`.
pub fn duration(seconds: f64) -> String {
    let whole = seconds.max(0.0).round() as u64;
    match whole {
        0..60 => format!("{whole} s"),
        60..3600 => format!("{} min {:02} s", whole / 60, whole % 60),
        _ => format!("{} h {:02} min", whole / 3600, whole % 3600 / 60),
    }
}

/// An estimate of seconds in words: `about 42 s`, and never 0 s.
pub fn about(seconds: f64) -> String {
    if seconds < 1.0 { "less than 1 s".into() } else { format!("about {}", duration(seconds)) }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn columns_line_up() {
        let rows = vec![vec!["pass".into(), "12".into()], vec!["conditional pass".into(), "3".into()]];
        assert_eq!(
            table(&["verdict", "n"], &rows, 1),
            "verdict            n\npass              12\nconditional pass   3"
        );
    }

    #[test]
    fn nothing_in_a_text_steers_the_terminal() {
        assert_eq!(shown("Amber \u{b0}C \u{2265}\n\tnext"), "Amber \u{b0}C \u{2265}\n\tnext");
        assert_eq!(
            shown("\u{1b}[31mred\u{7}\r\u{9b}2J\u{202e}x\u{7f}\u{0}"),
            "\\u001b[31mred\\u0007\\u000d\\u009b2J\\u202ex\\u007f\\u0000"
        );
        // JSON means the same before and after.
        let name = "a\u{1b}\u{202e}\u{7f}\\";
        let json = serde_json::json!({ "name": name }).to_string();
        let read: serde_json::Value = serde_json::from_str(&shown(&json)).unwrap();
        assert_eq!(read["name"], name);
        assert!(!shown(&json).contains(['\u{202e}', '\u{7f}']));
        // Colours stay where they are wanted, nothing else.
        assert_eq!(
            escaped("\u{1b}[1;31mno\u{1b}[0m\u{1b}[2J", colour_code),
            "\u{1b}[1;31mno\u{1b}[0m\\u001b[2J"
        );
        assert_eq!(escaped("\u{1b}", colour_code), "\\u001b");
    }

    #[test]
    fn durations_read_like_speech() {
        assert_eq!(duration(42.4), "42 s");
        assert_eq!(duration(185.0), "3 min 05 s");
        assert_eq!(duration(45_000.0), "12 h 30 min");
    }
}
