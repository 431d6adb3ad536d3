//! What the live page and the list of pages show of an invented run on a bench.

use pages::report::{Live, LiveLine, Served, ServedEye};

/// What a run on a bench tells while it goes on: an alarm, readings near their limits, a name that must not become a tag.
pub fn live() -> Live {
    let wave = |offset: f64, swing: f64| -> Vec<(f64, f64)> {
        (0..240).map(|i| (f64::from(i) / 60.0, offset + swing * (f64::from(i) / 17.0).sin())).collect()
    };
    let line = |name: &str, unit: &str, points, low, high| LiveLine {
        name: name.into(),
        unit: unit.into(),
        points,
        limits: (Some(low), Some(high)),
    };
    Live {
        written_utc: "2026-11-29T05:20:46Z".into(),
        refresh_s: Some(10),
        now: "Measuring Amber <b>bold</b>, direct, 2400 MT/s, 85 \u{b0}C".into(),
        done: 17,
        planned: 60,
        finish: Some(["day 1, 06:10 h", "day 1, 06:25 h", "day 1, 07:02 h"].map(String::from)),
        left: "About 4.2 h of bench time to come.".into(),
        hands: Some(("day 1, 08:00 h".into(), "Birch on two risers".into())),
        alarms: vec!["current alarm, latched: VDD takes 3.900 A, above its limit of 3 A".into()],
        log: vec![("2026-11-29T05:19:02Z".into(), "fault: VDD takes 3.900 A".into())],
        lines: vec![
            line("chip temperature", "degC", wave(60.0, 30.0), -10.0, 95.0),
            line("air temperature", "degC", wave(62.0, 33.0), -20.0, 110.0),
            line("VDD", "V", wave(1.2, 0.004), 1.1, 1.3),
            line("VPP", "V", wave(2.5, 0.01), 2.3, 2.7),
        ],
        reported: false,
    }
}

/// A folder's pages as they are listed.
pub fn served() -> Served {
    Served {
        title: "Quick look <i>tilted</i>".into(),
        running: true,
        pages: vec![
            ("live.html".into(), "the live page".into()),
            ("report.html".into(), "the report".into()),
        ],
        eyes: (0..40)
            .map(|i| ServedEye {
                key: format!("{i:012x}"),
                name: format!("Amber, direct, 2400 MT/s, {i} \u{b0}C"),
                job: "mounting 1, repeat 1, start 1".into(),
            })
            .collect(),
        more: 3,
    }
}
