//! Rows on what earlier nights teach: benches whose kinds of work differ from the plan's times by a hidden factor of their own and by
//! one of each night, forecast behind none, one, three and ten nights. Captures take what the simulated target took, against their forecast.

use crate::hours::Took;
use crate::rows::{Claim, Row, uniform};
use plan::Plan;
use runner::forecast::{Forecast, PRIOR_SD};
use schedule::remaining::predicted_stretches;
use schedule::{Learned, Minutes, Night, Standing, Work};
use statistics::special::normal_quantile;

/// Nights that a bench has behind it.
const EARLIER: [usize; 4] = [0, 1, 3, 10];
/// How far a bench lies off the plan's times (standard deviation of the logarithm, evenly spread), its nights off each other, by the kind of
/// bench, and the stretches of a night.
const BENCH: f64 = 0.22;
const NIGHT: [f64; 3] = [0.03, 0.08, 0.15];
const STRETCH: f64 = 0.06;

/// Plans of different shape: hands, ramps and captures weigh differently.
const PLANS: [&str; 3] = [
    "[matrix]\nrate = [2400, 2666]\ntemperature_degc = [25.0, 85.0]\n",
    "[matrix]\nrate = [2400]\ntemperature_degc = [0.0, 25.0, 85.0]\n",
    "[matrix]\nrate = [2133, 2400, 2666, 2933]\n",
];

fn plan(shape: usize) -> Plan {
    let modules: String = (0..4)
        .map(|number| format!("[[module]]\nname = \"module {number}\"\nkind = \"UDIMM\"\nrated = 3200\n"))
        .collect();
    let text = format!(
        "title = \"Nights\"\n[interface]\ngeneration = \"DDR4\"\nlanes = 8\n[[chip]]\nname = \"nights\"\n{modules}[[channel]]\n\
         name = \"risers\"\nrisers = 2\nfits = [\"UDIMM\"]\n{}[capture]\ndirections = [\"read\"]\nber_limit = 1e-8\n\
         [[limit]]\nmetric = \"width\"\ndirection = \"read\"\nminimum = 50.0\nunit = \"ps\"\nsource = \"invented\"\n",
        PLANS[shape]
    );
    Plan::read(&text).unwrap_or_else(|mistakes| panic!("{mistakes:?}"))
}

/// A plan with what its stretches are expected to take.
struct Shape {
    forecast: Forecast,
    stretches: Vec<Minutes>,
}

impl Shape {
    fn new(shape: usize) -> Shape {
        let forecast = Forecast::new(&plan(shape), &[]).unwrap_or_else(|failure| panic!("{}", failure.words));
        let standing = Standing {
            now_min: forecast.schedule.start_min,
            mounted: None,
            chamber_c: forecast.problem.bench().start_c,
        };
        let stretches = predicted_stretches(&forecast.problem, &forecast.schedule.sequence, standing);
        Shape { forecast, stretches }
    }
}

fn normal(list: &[u64]) -> f64 {
    normal_quantile(uniform(list).clamp(1e-9, 1.0 - 1e-9)).expect("a probability")
}

/// What the stretches of a night take, with hidden factors by kind.
fn night(stretches: &[Minutes], key: [u64; 2], steadiness: usize, taken: &[f64]) -> Vec<Minutes> {
    let [bench, night] = key;
    let factors = Work::ALL.map(|kind| {
        let kind = kind as u64;
        let own = BENCH * 12f64.sqrt() * (uniform(&[bench, kind, 1]) - 0.5);
        own + NIGHT[steadiness] * normal(&[bench, kind, 2, night])
    });
    // Captures of one kind of eye, as the simulated target takes them in one run or another.
    let captures = taken[(uniform(&[bench, 3, night]) * taken.len() as f64) as usize].ln();
    (0..)
        .zip(stretches)
        .map(|(at, stretch)| {
            let factor = |kind: Work| {
                let captures = if kind == Work::Measure { captures } else { 0.0 };
                (factors[kind as usize] + captures + STRETCH * normal(&[bench, kind as u64, 4, night, at]))
                    .exp()
            };
            let (hands, soak, measure) = (factor(Work::Hands), factor(Work::Soak), factor(Work::Measure));
            Minutes {
                measuring: stretch.measuring * measure,
                training: stretch.training * measure,
                ramps_up: stretch.ramps_up * factor(Work::Up),
                ramps_down: stretch.ramps_down * factor(Work::Down),
                soak: stretch.soak * soak,
                settle: stretch.settle * soak,
                hands_on: stretch.hands_on * hands,
                boot: stretch.boot * hands,
                waiting: stretch.waiting,
            }
        })
        .collect()
}

/// The rows of so many benches from a number on.
pub fn rows(first: u64, benches: u64, took: &[Took]) -> Vec<Row> {
    let mut shapes: Vec<Shape> = (0..PLANS.len()).map(Shape::new).collect();
    // A bench measures interfaces of one width.
    let mut by_width: Vec<(&str, Vec<f64>)> = Vec::new();
    for one in took.iter().filter(|one| one.taken_s.is_finite()) {
        let ratio = one.taken_s / one.forecast_s;
        match by_width.iter_mut().find(|(name, _)| *name == one.name) {
            Some((_, ratios)) => ratios.push(ratio),
            None => by_width.push((&one.name, vec![ratio])),
        }
    }
    let name = |earlier: usize| format!("hours of a night behind {earlier} of its bench: P10 to P90");
    let mut all = Vec::new();
    for earlier in EARLIER {
        let mut row = Row::new(name(earlier), Claim::Share(0.8, 0.85));
        let mut steady = NIGHT.map(|apart| {
            Row::new(format!("{}, nights {:.0} % apart", name(earlier), 100.0 * apart), Claim::Information)
        });
        for bench in first..first + benches {
            let pick = |what: u64, of: usize| (uniform(&[bench, what]) * of as f64) as usize;
            let (shape, steadiness) = (pick(10, shapes.len()), pick(11, NIGHT.len()));
            let taken = &by_width[pick(12, by_width.len())].1;
            let shape = &mut shapes[shape];
            let of = |number: usize| night(&shape.stretches, [bench, number as u64], steadiness, taken);
            let nights: Vec<Night> = (1..=earlier)
                .map(|number| {
                    let mut night = Night::default();
                    for (expected, observed) in shape.stretches.iter().zip(of(number)) {
                        night.observe_stretch(expected, &observed);
                    }
                    night
                })
                .collect();
            let took_min: f64 = of(0).iter().map(Minutes::total).sum();
            shape.forecast.learned = Learned::after(&nights, PRIOR_SD);
            let range = shape.forecast.finish().unwrap_or_else(|failure| panic!("{}", failure.words));
            let end = shape.forecast.schedule.start_min + took_min;
            let held = (range.p10_min..=range.p90_min).contains(&end);
            row.count(held);
            steady[steadiness].count(held);
        }
        all.push(row);
        all.extend(steady);
    }
    all
}
