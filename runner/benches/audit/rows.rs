//! Counting: how often a printed claim came true, with its exact interval.

use statistics::proportion::exact_interval;
use statistics::reliability::{Brier, Forecasts};

/// What a row says of itself.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum Finding {
    Calibrated,
    Conservative,
    Wrong,
}

/// Where a claim may lie without being wrong.
#[derive(Clone, Copy, PartialEq, Debug)]
pub enum Claim {
    /// Exactly this share; more is conservative up to the second share.
    Share(f64, f64),
    /// The mean of the probabilities printed; more is conservative.
    Printed,
    /// The mean of the risks printed; less is conservative.
    PrintedRisk,
    /// No more than this share.
    AtMost(f64),
    /// No less than this share.
    AtLeast(f64),
    /// Nothing is claimed.
    Information,
}

/// One line of the table.
#[derive(Clone, Debug)]
pub struct Row {
    pub name: String,
    pub claim: Claim,
    pub hits: u64,
    pub trials: u64,
    /// Sum of the probabilities printed.
    pub printed: f64,
}

impl Row {
    pub fn new(name: impl Into<String>, claim: Claim) -> Row {
        Row { name: name.into(), claim, hits: 0, trials: 0, printed: 0.0 }
    }

    pub fn count(&mut self, hit: bool) {
        self.hits += u64::from(hit);
        self.trials += 1;
    }

    /// Counts a claim that was printed with its own probability.
    pub fn count_printed(&mut self, probability: f64, hit: bool) {
        self.printed += probability;
        self.count(hit);
    }

    fn mean_printed(&self) -> f64 {
        self.printed / self.trials.max(1) as f64
    }

    pub fn share(&self) -> f64 {
        self.hits as f64 / self.trials.max(1) as f64
    }

    /// Exact limits at a confidence (Clopper and Pearson).
    pub fn limits(&self, confidence: f64) -> (f64, f64) {
        exact_interval(self.hits, self.trials, confidence)
            .map_or((0.0, 1.0), |found| (found.lower, found.upper))
    }

    /// A row is wrong when its exact interval, at a family-wise 99 % over so many rows, excludes the claim.
    pub fn finding(&self, rows: usize) -> Finding {
        let (low, high) = self.limits(1.0 - 0.01 / rows.max(1) as f64);
        match self.claim {
            Claim::Share(claim, most) => {
                if high < claim || low > most {
                    Finding::Wrong
                } else if low > claim {
                    Finding::Conservative
                } else {
                    Finding::Calibrated
                }
            }
            Claim::AtLeast(claim) if high < claim => Finding::Wrong,
            Claim::AtLeast(claim) if low > claim => Finding::Conservative,
            Claim::AtMost(claim) if low > claim => Finding::Wrong,
            Claim::AtMost(claim) if high < claim => Finding::Conservative,
            Claim::Printed if high < self.mean_printed() => Finding::Wrong,
            Claim::Printed if low > self.mean_printed() => Finding::Conservative,
            Claim::PrintedRisk if low > self.mean_printed() => Finding::Wrong,
            Claim::PrintedRisk if high < self.mean_printed() => Finding::Conservative,
            _ => Finding::Calibrated,
        }
    }
}

/// What the goals are counted by: words of a row's name, and what is wanted of such rows.
const GOALS: [(&str, &str); 11] = [
    (": U ", "coverage of U 93 to 97 %, or conservative up to 99.5 %"),
    (": P ", "every decile of P within its exact interval"),
    ("risk of", "risk of a verdict"),
    ("worse anywhere", "false \"worse\" at most 5 %"),
    ("are not worse", "unchanged is \"not worse\" in 80 % with the repeats recommended"),
    ("twice the loss", "90 % power at twice the loss allowed"),
    ("one lost", "a lane's loss is neither hidden nor put on another: at most 5 %"),
    ("called certain", "gains called certain that are none: at most 5 %"),
    (": interval", "intervals of failed starts 93 to 97 %"),
    ("hours", "P10 to P90 of hours 75 to 85 %"),
    ("tolerance limit", "tolerance limits 93 to 97 %"),
];

/// Prints how many rows of each goal come true.
pub fn print_goals(rows: &[Row]) {
    println!("| goal | rows | calibrated | conservative | wrong | observed, least and most |");
    println!("|---|---|---|---|---|---|");
    for (words, goal) in GOALS {
        let of_goal =
            || rows.iter().filter(|row| row.name.contains(words) && row.claim != Claim::Information);
        let count = |wanted: Finding| of_goal().filter(|row| row.finding(rows.len()) == wanted).count();
        let share = |pick: fn(f64, f64) -> f64, start: f64| of_goal().map(Row::share).fold(start, pick);
        if of_goal().count() > 0 {
            println!(
                "| {goal} | {} | {} | {} | {} | {:.1} to {:.1} % |",
                of_goal().count(),
                count(Finding::Calibrated),
                count(Finding::Conservative),
                count(Finding::Wrong),
                100.0 * share(f64::min, 1.0),
                100.0 * share(f64::max, 0.0),
            );
        }
    }
    println!();
}

/// Prints Brier's score of every P and what it is made of; each decile counts as its mean.
pub fn print_brier(rows: &[Row]) {
    let mut all: Vec<(&str, Vec<Forecasts>)> = Vec::new();
    for row in rows.iter().filter(|row| row.claim == Claim::Printed && row.trials > 0) {
        let name = row.name.rsplit_once(", ").map_or(row.name.as_str(), |(name, _)| name);
        let one = Forecasts { probability: row.mean_printed(), number: row.trials, events: row.hits };
        match all.iter_mut().find(|(known, _)| *known == name) {
            Some((_, forecasts)) => forecasts.push(one),
            None => all.push((name, vec![one])),
        }
    }
    if all.is_empty() {
        return;
    }
    println!("| P of | n | Brier score | reliability | resolution | uncertainty |");
    println!("|---|---|---|---|---|---|");
    for (name, forecasts) in all {
        let number: u64 = forecasts.iter().map(|one| one.number).sum();
        let Brier { score, reliability, resolution, uncertainty } =
            Brier::of(&forecasts).expect("shares of what was counted");
        println!(
            "| {} | {number} | {score:.4} | {reliability:.4} | {resolution:.4} | {uncertainty:.4} |",
            name.replacen(": P", ":", 1)
        );
    }
    println!();
}

/// Prints the table; says whether no row is wrong.
pub fn print(rows: &[Row]) -> bool {
    println!("| claim | n | claimed | observed [exact 95 %] | finding |");
    println!("|---|---|---|---|---|");
    let mut sound = true;
    for row in rows {
        let (low, high) = row.limits(0.95);
        let claimed = match row.claim {
            Claim::Share(claim, _) => format!("{:.1} %", 100.0 * claim),
            Claim::Information => "-".into(),
            Claim::AtLeast(claim) => format!("at least {:.1} %", 100.0 * claim),
            Claim::AtMost(claim) => format!("at most {:.1} %", 100.0 * claim),
            Claim::Printed | Claim::PrintedRisk => format!("{:.1} %", 100.0 * row.mean_printed()),
        };
        let finding = row.finding(rows.len());
        sound &= finding != Finding::Wrong;
        println!(
            "| {} | {} | {claimed} | {:.1} % [{:.1}, {:.1}] | {} |",
            row.name,
            row.trials,
            100.0 * row.share(),
            100.0 * low,
            100.0 * high,
            match finding {
                _ if row.claim == Claim::Information => "for information",
                Finding::Calibrated => "calibrated",
                Finding::Conservative => "conservative",
                Finding::Wrong => "**wrong**",
            }
        );
    }
    sound
}

/// A number in 0..1 that is a fixed function of a list (SplitMix64's finalizer).
pub fn uniform(list: &[u64]) -> f64 {
    let mix = |mut z: u64| {
        z = (z ^ (z >> 30)).wrapping_mul(0xbf58_476d_1ce4_e5b9);
        z = (z ^ (z >> 27)).wrapping_mul(0x94d0_49bb_1331_11eb);
        z ^ (z >> 31)
    };
    let key = list.iter().fold(1, |key: u64, one| mix(key ^ mix(one.wrapping_add(0x9e37_79b9_7f4a_7c15))));
    (key >> 11) as f64 / (1u64 << 53) as f64
}
