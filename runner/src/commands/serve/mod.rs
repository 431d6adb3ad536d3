//! `serve`: the pages of a run folder over HTTP, to be read and nothing else.

mod http;
mod site;

use crate::cli::ServeArguments;
use crate::console::exit::{Failure, Outcome};
use crate::console::terminal::Terminal;
use crate::inputs::plain_file::read_text;
use site::Site;
use std::net::TcpListener;

/// Shortest token that is taken, characters.
const SHORTEST_TOKEN: usize = 16;

/// Serves DIR until the program is ended.
pub fn serve(terminal: &Terminal, arguments: &ServeArguments) -> Outcome {
    let token = match &arguments.token_file {
        Some(file) => {
            let text = read_text(file, "a file with a token")?;
            let token = text.trim().to_string();
            let plain = |c: char| c.is_ascii_alphanumeric() || "-._~".contains(c);
            if token.len() < SHORTEST_TOKEN || !token.chars().all(plain) {
                return Err(Failure::invalid(format!(
                    "{}: a token is one word of at least {SHORTEST_TOKEN} letters, digits or - . _ ~; for example that of \
                     `openssl rand -hex 16`",
                    file.display()
                )));
            }
            Some(token)
        }
        None => None,
    };
    let loopback = arguments.address.ip().is_loopback();
    if !loopback && token.is_none() {
        return Err(Failure::invalid(format!(
            "{} can be reached from other computers: give --token-file FILE, without which nobody gets a page; or stay on \
             127.0.0.1 and come through a tunnel (ssh -L)",
            arguments.address
        )));
    }
    let asks_for_token = token.is_some();
    let site = Site::new(&arguments.dir, token, loopback)?;
    let unopened = |error: std::io::Error| {
        Failure::invalid(format!(
            "{} cannot be listened on: {error}; choose another --address",
            arguments.address
        ))
    };
    let listener = TcpListener::bind(arguments.address).map_err(unopened)?;
    let address = listener.local_addr().map_err(unopened)?;
    terminal.out(&format!("http://{address}/"));
    let mut words = format!("{} is shown there, to be read only; Ctrl-C ends it", arguments.dir.display());
    if asks_for_token {
        words.push_str(&format!("\nthe first time: http://{address}/?token=TOKEN"));
    }
    if !loopback {
        words.push_str("\nnothing is encrypted: use it in a network that you trust, or through a tunnel");
    }
    terminal.note(&words);
    Err(unopened(http::serve(&listener, &|request| site.answer(request))))
}
