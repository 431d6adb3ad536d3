//! What the terminal may show: colour, width, and output that survives a closed pipe.

use std::io::{IsTerminal, Write};

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
        Terminal { colour_out: out && !plain, colour_err: err && !plain, animated: err && !dumb }
    }

    /// Writes a line to stdout; a closed pipe ends the output quietly.
    pub fn out(&self, text: &str) {
        let _ = writeln!(std::io::stdout().lock(), "{text}");
    }

    /// Writes a line to stderr.
    pub fn note(&self, text: &str) {
        let _ = writeln!(std::io::stderr().lock(), "{text}");
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
    fn durations_read_like_speech() {
        assert_eq!(duration(42.4), "42 s");
        assert_eq!(duration(185.0), "3 min 05 s");
        assert_eq!(duration(45_000.0), "12 h 30 min");
    }
}
