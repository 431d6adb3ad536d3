//! Prints the report page of an invented, simulated run: `page_demo [CONDITIONS] [hostile|interrupted|empty|bench]`; with `live` or
//! `served` the live page of a run on a bench, or the list of pages.
//! It is for looking at the page while it is being worked on; nothing in it was measured or modelled.

#![allow(clippy::disallowed_methods)]

mod fixture;
mod live;

use fixture::Kind;
use judge::judged;
use pages::report;

fn main() -> Result<(), Box<dyn std::error::Error>> {
    let words: Vec<String> = std::env::args().skip(1).collect();
    let conditions = words.first().map_or(Ok(60), |word| word.parse())?;
    let kind = match words.get(1).map(String::as_str) {
        Some("hostile") => Kind::Hostile,
        Some("interrupted") => Kind::Interrupted,
        Some("empty") => Kind::Empty,
        Some("bench" | "live") => Kind::Bench,
        _ => Kind::Usual,
    };
    let demo = fixture::demo(conditions, kind);
    match words.get(1).map(String::as_str) {
        Some("live") => {
            let newest = report::deciding_eyes(&demo.run).first().copied();
            let newest = newest.map(|(index, eye)| (index, fixture::picture(&demo.run, index, eye)));
            print!("{}", report::build_live(&demo.run, &demo.facts, &live::live(), newest)?);
            return Ok(());
        }
        Some("served") => {
            print!("{}", report::build_served(&live::served())?);
            return Ok(());
        }
        _ => {}
    }
    let wanted = report::wanted_pictures(&demo.run, 36);
    let outlines = report::wanted_outlines(&demo.run, &wanted, 40);
    let mut pictures = Vec::new();
    for (index, eye) in &wanted {
        pictures.push((*index, fixture::picture(&demo.run, *index, *eye)));
    }
    for (index, eye) in &outlines {
        let mut outline = fixture::picture(&demo.run, *index, *eye);
        outline.classes.clear();
        pictures.push((*index, outline));
    }
    print!("{}", report::build(&demo.run, &demo.facts, &pictures, &report::Options::default())?);
    Ok(())
}
