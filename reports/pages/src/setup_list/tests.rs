//! The page holds what it is given, escaped, and draws stretches where they belong.

use super::*;

fn list() -> SetupList {
    let mounting = |number: usize, module: &str| ListedMounting {
        number,
        when: format!("Mon 2026-11-23 {:02}:00", 8 + number),
        leave: "09:12".into(),
        hands_free_until: "Tue 2026-11-24 00:30".into(),
        hands_free_for: "15 h 18 min".into(),
        module: module.into(),
        channel: "two risers".into(),
        channel_changes: number == 1,
        take_out: (number > 1).then(|| "Elm on direct".into()),
        relation: (number > 1).then(|| "goes on from number 1".into()),
        jobs: 34,
        temperatures: "0, 25, 85 °C".into(),
        last: number == 2,
    };
    let segment = |from_min, to_min, kind, number| Segment { from_min, to_min, kind, number };
    SetupList {
        title: "Nights & days".into(),
        purpose: Some("a <b>test</b>".into()),
        begin: "Mon 2026-11-23 09:00".into(),
        expected: "on time".into(),
        finish: ["a".into(), "b".into(), "c".into()],
        learned_from: None,
        facts: vec![("jobs".into(), "68".into())],
        cautions: vec!["supplies off".into()],
        mountings: vec![mounting(1, "Elm"), mounting(2, "<script>")],
        timeline: Timeline {
            first_min: 0.0,
            rows: vec!["Mon".into(), "Tue".into()],
            attended: vec![(540.0, 1020.0)],
            segments: vec![
                segment(540.0, 552.0, SegmentKind::Hands, 1),
                segment(552.0, 1500.0, SegmentKind::Work, 1),
                segment(1500.0, 1980.0, SegmentKind::Waiting, 1),
            ],
        },
    }
}

#[test]
fn the_page_is_whole_and_escaped() {
    let page = build(&list()).unwrap();
    for words in [
        "Nights &amp; days",
        "a &lt;b&gt;test",
        "&lt;script&gt;",
        "two risers",
        "take out first: Elm on direct",
        "goes on from number 1",
        "34 jobs",
        "supplies off",
        "end of the run",
    ] {
        assert!(page.contains(words), "missing: {words}");
    }
    assert!(!page.contains("<script>"));
    assert_eq!(page.matches("class=\"box\"").count(), 6);
    assert_eq!(page, build(&list()).unwrap());
}

#[test]
fn stretches_are_cut_at_midnight() {
    let page = build(&list()).unwrap();
    // 552 to 1440 min of the first day: 92 + 720 x 552 / 1440 = 368, 444 wide; then an hour of the next day: 30 wide.
    assert!(page.contains("<rect class=\"work odd\" x=\"368\" y=\"21\" width=\"444\""), "{page}");
    assert!(page.contains("<rect class=\"work odd\" x=\"92\" y=\"41\" width=\"30\""));
    assert!(page.contains("<rect class=\"waiting\" x=\"122\" y=\"41\" width=\"240\""));
    let mut odd = list();
    odd.timeline.segments[0].to_min = f64::NAN;
    odd.timeline.segments[1].from_min = -1e9;
    odd.timeline.rows = (0..100).map(|day| format!("day {day}")).collect();
    assert!(build(&odd).unwrap().contains("38 more days"));
}
