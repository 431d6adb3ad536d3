//! A plan of a million conditions: expanded (goal: under 1 s), ordered, and put through the calendar. Figures are printed before the
//! timing runs.

#![allow(clippy::disallowed_types)]

#[path = "../../../tests/speed/stopwatch.rs"]
mod stopwatch;

use plan::Plan;
use plan::expand::{expand, jobs};
use plan::selection::Selection;
use plan::timetable::{ExpectedTimes, timetable};
use schedule::{Learned, Standing, finish_range};
use std::fmt::Write;
use std::time::Instant;
use stopwatch::time;

/// 100 modules x 10 channels x 5 supplies x 5 rates x 40 temperatures: a million combinations.
fn plan(attended: &str) -> Plan {
    let mut text = String::from("title = \"Large\"\n[interface]\ngeneration = \"DDR4\"\nlanes = 8\n");
    for module in 0..100 {
        let _ = write!(text, "[[module]]\nname = \"M{module}\"\nkind = \"UDIMM\"\nrated = 3200\n");
    }
    for channel in 0..10 {
        let _ = write!(text, "[[channel]]\nname = \"C{channel}\"\nfits = [\"UDIMM\"]\n");
    }
    for supply in 0..5 {
        let volts = 1.16 + 0.02 * f64::from(supply);
        let _ = write!(text, "[[supply]]\nname = \"S{supply}\"\nvdd_v = {volts:.2}\nvddq_v = {volts:.2}\n");
    }
    let temperatures: Vec<String> = (0..40).map(|k| (3 * k - 20).to_string()).collect();
    let _ = write!(
        text,
        "[matrix]\nrate = [1866, 2133, 2400, 2666, 3200]\ntemperature_degc = [{}]\n\
         [[skip]]\nreason = \"a corner\"\nmodule = [\"M7\"]\nsupply = [\"S0\"]\nrate = [3200]\n\
         [[limit]]\nmetric = \"width\"\nminimum = 0.2\nunit = \"UI\"\nsource = \"invented\"\n{attended}",
        temperatures.join(", ")
    );
    Plan::read(&text).unwrap_or_else(|mistakes| panic!("{mistakes:?}"))
}

const OFFICE: &str = "[attended]\nmonday = \"09:00-17:00\"\ntuesday = \"09:00-17:00\"\nwednesday = \"09:00-17:00\"\n\
                      thursday = \"09:00-17:00\"\nfriday = \"09:00-17:00\"\n";

fn figures() {
    for (name, attended) in [("always attended", ""), ("office hours", OFFICE)] {
        let plan = plan(attended);
        let begin = Instant::now();
        let expansion = expand(&plan, &Selection::default());
        let expanded = begin.elapsed().as_secs_f64();
        let listed = jobs(&plan, &expansion);
        let begin = Instant::now();
        let times = ExpectedTimes { measuring_s: 20.0, training_s: 2.5 };
        let table = timetable(&plan, &expansion, &listed, |_| times).expect("a timetable");
        let ordered = begin.elapsed().as_secs_f64();
        let begin = Instant::now();
        let standing =
            Standing { now_min: table.schedule.start_min, mounted: None, chamber_c: plan.times.start_c };
        let learned = Learned::new(0.25);
        let sequence = &table.schedule.sequence;
        let range = finish_range(&table.problem, sequence, &table.calendar, standing, &learned, 400, 1)
            .expect("a range");
        println!(
            "{name}: {} conditions expanded in {expanded:.3} s, ordered and scheduled in {ordered:.3} s ({} mountings, ratio \
             with price {:.4}), finish range in {:.3} s ({:.0} days)",
            expansion.conditions.len(),
            table.schedule.cost.changes,
            table.order.bound.ratio(&table.order.cost, plan.times.price_min),
            begin.elapsed().as_secs_f64(),
            (range.p50_min - table.schedule.start_min) / 1440.0,
        );
    }
    let begin = Instant::now();
    let pairs = plan("[coverage]\nkind = \"t-wise\"\nstrength = 2\n");
    println!(
        "pairs out of a million conditions: {} conditions chosen in {:.2} s",
        expand(&pairs, &Selection::default()).conditions.len(),
        begin.elapsed().as_secs_f64()
    );
}

fn main() {
    figures();
    let plan = plan("");
    time("expand a million conditions", || expand(&plan, &Selection::default()));
}
