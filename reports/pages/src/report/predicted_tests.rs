//! Tests of what a page says of predicted verdicts, on an invented run.

use crate::report::tests::fixture::{Demo, Kind, demo};
use crate::report::tests::page;
use crate::report::wanted_pictures;
use judge::judged::{self, PredictedMargin, PredictedVerdict};
use judge::prediction::{Audits, Quantity};
use nightbench_core::condition::ConditionState;
use nightbench_core::results::Direction;
use plan::limits::Metric;

/// A third of an invented run measured, the rest predicted.
pub(crate) fn foretold(kind: Kind) -> Demo {
    let mut demo = demo(60, Kind::Interrupted);
    if kind == Kind::Hostile {
        demo.run.conditions.iter_mut().for_each(|one| one.name = format!("<b>{}</b>", one.name));
    }
    let quantity = Quantity { metric: Metric::Width, direction: Direction::Read };
    for (index, judged) in (0..).zip(&mut demo.run.conditions) {
        if judged.state != ConditionState::NotRun {
            continue;
        }
        let pass = index % 5 > 0;
        let margin = if pass { 31.25 } else { -12.5 };
        judged.state = ConditionState::Predicted;
        judged.predicted = Some(judged::Predicted {
            condition: index,
            verdict: if pass { PredictedVerdict::Pass } else { PredictedVerdict::Fail },
            p_fail: if pass { 0.02 } else { 0.9 },
            p_wrong: if pass { 0.02 } else { 0.1 },
            margins: vec![PredictedMargin {
                quantity,
                limit: 80.0,
                margin,
                low: if pass { margin - 15.0 } else { -80.0 },
                high: Some(margin + 15.0),
                p_fail: 0.02,
            }],
            p_contradicted: 0.01,
            beyond_guard: pass,
        });
    }
    let drawn = Audits { blocks: 4, conditions: 12, ..Audits::default() };
    let finished = judged::PredictionNote {
        finished: true,
        price_hours: 5.0,
        sum_p_wrong: 0.5,
        sum_p_contradicted: 0.3,
        left_worth_hours: 2.5,
        measured: (12, 6),
        hours: Some((50.0, 20.0)),
        drawn,
        ..Default::default()
    };
    demo.run.audit.predictions = Some(finished);
    demo
}

#[test]
fn predicted_conditions_stand_apart_from_what_was_measured() {
    let run = foretold(Kind::Usual);
    let html = page(&run, 12);
    let (measured, rest) = html.split_once("<h3 id=\"foretold\">").expect("a list of its own");
    let listed = measured.split_once("<table class=\"list conditions\">").expect("a list").1;
    let foretold = rest.split_once("</table>").expect("a table").0;
    let of = |one: &judged::JudgedCondition| one.predicted.is_some();
    for judged in &run.run.conditions {
        let name = format!("{}<", judged.name.replace('/', "&#x2f;"));
        assert_eq!((listed.contains(&name), foretold.contains(&name)), (!of(judged), of(judged)));
    }
    assert!(foretold.contains("\u{2248} +31.2 ps") && foretold.contains("+16.2 to +46.2 ps"));
    // Far below the limit eyes are not told apart.
    assert!(foretold.contains("below +2.5 ps (down to a closed eye)"));
    // A cell has the ends of the interval, as shares that compare down a column: its middle would read like a measured margin.
    assert!(html.contains("width read +20 to +58 % of limit\n+16.2 to +46.2 ps"));
    let cells = html.split("<td class=\"vpp").skip(1).map(|cell| cell.split("</td>").next().unwrap_or(""));
    let middles = cells.filter(|cell| cell.contains("+31.2") || cell.contains("+39 %")).count();
    assert_eq!(middles, 0, "no cell has a middle");
    let cells = html.matches("<td class=\"vpp\"").count() + html.matches("<td class=\"vpf\"").count();
    assert_eq!(cells, run.run.conditions.iter().filter(|one| of(one)).count());
    let drawn = wanted_pictures(&run.run, 24);
    assert!(drawn.iter().all(|(index, _)| !of(&run.run.conditions[*index])));
    assert!(html.contains("<option value=\"vpf\">"));
    // What the price left, and the three probabilities of being wrong with what each is of, stand in one place.
    let facts =
        html.split("<dl class=\"predicted\">").nth(1).and_then(|part| part.split("</dl>").next()).unwrap();
    let left = run.run.conditions.iter().filter(|one| of(one)).count();
    for said in [
        "Measured: 18 conditions, 12 of them cover and audits whatever the price, 6 for their doubt or by name."
            .to_string(),
        format!("Left to be predicted: {left}, which are worth 2.50 h at this price"),
        "by the forecast they would have taken 30.0 h".into(),
        "the largest is 10.0 % (the model".into(),
        format!("of {left}, 0.50 expected to be wrong"),
        "Of two measurements of each, 0.30 would contradict each other".to_string(),
        "a share of at most 22.1 % of them".into(),
        "of 12 conditions in blocks drawn at random, predicted from the rest and measured, none were wrong"
            .into(),
        format!(
            "of {left} predicted verdicts the model expects 0.50 to be wrong; the audits exclude a share of more than 22.1 % (95 % confidence)"
        ),
    ] {
        assert!(facts.contains(&said), "{said}: {facts}");
    }
    // A plan without predictions has neither style nor words of them.
    assert!(!page(&demo(60, Kind::Usual), 12).contains("vpp"));
    // Names stay text there, too.
    assert!(!page(&super::predicted_tests::foretold(Kind::Hostile), 12).contains("<b>Amber"));
}
