//! What is told as a fault of a module or channel, what is none, and what is not predicted for it.

use super::tests::{HEIGHT, VDDQ, WIDTH, field, field_of, terms, truth, with_supplies};
use super::*;

/// A run that takes a share of the limit away where `by` says so, measured where setups begin and where it must be measured.
fn spoilt(field: &Field, by: impl Fn(&Point) -> f64) -> Measured {
    let blocks = mandatory(field, &terms(5.0));
    let mut measured = truth(field);
    measured.retain(|condition, _| {
        let point = &field.points[*condition as usize];
        point.temperature_c == 25.0 || blocks.contains(point.block())
    });
    for (condition, known) in &mut measured {
        let Known::Read(readings) = known else { continue };
        for asked in &field.asked[*condition as usize] {
            for reading in readings.iter_mut().filter(|one| one.quantity == asked.quantity) {
                let off = by(&field.points[*condition as usize]) * asked.limit * asked.whole;
                reading.value = (reading.value - off).max(0.0);
            }
        }
    }
    measured
}

#[test]
fn a_module_that_loses_margin_hot_or_cold_at_low_supply_is_told() {
    let field = field_of(&with_supplies(), |_| {});
    let blocks = mandatory(&field, &terms(5.0));
    let sound = Predictions::of(&field, &spoilt(&field, |_| 0.0), &blocks, 5);
    assert_eq!(sound.quarantined, []);
    let module = field.points[0].module;
    let hot = |point: &Point| (point.temperature_c - 25.0).max(0.0) / 60.0;
    let cold_low = |point: &Point| f64::from(u8::from(point.temperature_c < 25.0 && point.supply < 0.0));
    // So few blocks tell little of how far they differ: hot it takes twice what it takes beside other supplies.
    type Fault<'f> = &'f dyn Fn(&Point) -> f64;
    let faults: [(Side, f64, Fault<'_>); 2] = [(Side::Hot, 0.7, &hot), (Side::Cold, 0.35, &cold_low)];
    for (side, share, fault) in faults {
        let by = |point: &Point| if point.module == module { share * fault(point) } else { 0.0 };
        let named = |one: &Quarantine| {
            (one.shared, one.side, one.doubt) == (Shared::Module(module), Some(side), Doubt::Far)
        };
        // Once with the setups that it is begun in, once with its cover alone.
        for begun in [true, false] {
            let mut measured = spoilt(&field, by);
            measured.retain(|condition, _| {
                let point = &field.points[*condition as usize];
                begun || point.module != module || blocks.cover.contains(&point.block())
            });
            let found = Predictions::of(&field, &measured, &blocks, 5);
            assert!(found.quarantined.iter().any(named), "{side:?}, {begun}: {:?}", found.quarantined);
            // Nothing that it may have spoilt is predicted.
            let spoilt = |one: &Predicted| fault(&field.points[one.condition as usize]) > 0.0;
            let own = |one: &&Predicted| field.points[one.condition as usize].module == module;
            assert!(!found.predicted.iter().filter(own).any(spoilt));
        }
    }
}

/// Taller eyes than elsewhere, and the narrow ones far narrower.
fn narrow(prior: &mut Prior) {
    for one in &mut prior.expected {
        one.height.share += 0.1;
        one.width.share -= if one.width.share < 0.3 { 0.15 } else { 0.0 };
    }
}

/// Trainings that fail where an eye is expected to be too narrow for its limit, and tall: a fail as expected, no height that collapsed.
#[test]
fn a_training_that_fails_as_expected_is_no_fault_of_its_height() {
    let field = field_of(&with_supplies(), narrow);
    let blocks = mandatory(&field, &terms(5.0));
    let mut measured = spoilt(&field, |_| 0.0);
    let sound = Predictions::of(&field, &measured, &blocks, 5);
    assert_eq!(sound.quarantined, []);
    let mut failed = 0;
    for (condition, known) in &mut measured {
        let point = &field.points[*condition as usize];
        let asked = field.asked[*condition as usize].iter();
        let sure = asked.filter(|one| one.quantity == WIDTH).any(|one| one.expected.share < 0.6 * one.limit);
        if sure && point.module == field.points[0].module && point.temperature_c > 25.0 {
            *known = Known::TrainingFailed;
            failed += 1;
        }
    }
    assert!(failed > 1, "{failed}");
    let found = Predictions::of(&field, &measured, &blocks, 5);
    assert_eq!(found.quarantined, []);
    let heights = |all: &Predictions| -> Vec<f64> {
        let of =
            |one: &Predicted| one.margins.iter().find(|one| one.quantity == HEIGHT).map(|one| one.margin);
        all.predicted.iter().filter_map(of).collect()
    };
    // Heights beside them stay where they were.
    let (before, after) = (heights(&sound), heights(&found));
    assert_eq!(before.len(), after.len());
    let most = before.iter().zip(&after).map(|(a, b)| (a - b).abs()).fold(0.0, f64::max);
    assert!(most < 0.02 * VDDQ, "{most} mV");
}

/// Heights of eyes that are far too narrow, as expected, collapse in one block: no verdict hangs on them.
#[test]
fn a_height_beside_a_width_that_fails_as_expected_tells_no_fault() {
    let field = field_of(&with_supplies(), narrow);
    let blocks = mandatory(&field, &terms(5.0));
    let hot = field.points.iter().find(|point| point.temperature_c > 25.0 && blocks.contains(point.block()));
    let block = hot.expect("a hot block").block();
    let mut wide = 0;
    for also_wide in [false, true] {
        let mut measured = spoilt(&field, |_| 0.0);
        for (condition, known) in &mut measured {
            let asked = &field.asked[*condition as usize];
            let fails = asked.iter().any(|one| one.quantity == WIDTH && one.expected.share < 0.6 * one.limit);
            let Known::Read(readings) = known else { continue };
            if field.points[*condition as usize].block() == block && (fails || also_wide) {
                wide += usize::from(!fails);
                readings.iter_mut().filter(|one| one.quantity == HEIGHT).for_each(|one| one.value *= 0.5);
            }
        }
        let found = Predictions::of(&field, &measured, &blocks, 5);
        let named = found.quarantined.iter().any(|one| one.because == block && one.doubt == Doubt::Far);
        assert_eq!(named, also_wide, "{:?}", found.quarantined);
    }
    assert!(wide > 0);
}

/// Every condition of it that was tried failed to be measured: the others told of it, at room temperature, where no cover is missing.
#[test]
fn nothing_is_predicted_of_a_module_or_a_channel_of_which_nothing_was_measured() {
    let field = field();
    let blocks = mandatory(&field, &terms(5.0));
    let (module, channel) = (field.points[0].module, field.points[0].channel);
    let of_module: fn(&Point, u32) -> bool = |point, module| point.module == module;
    let of_channel: fn(&Point, u32) -> bool = |point, channel| point.channel == channel;
    for (shares, number, named) in
        [(of_module, module, Shared::Module(module)), (of_channel, channel, Shared::Channel(channel))]
    {
        let mut measured = truth(&field);
        measured
            .retain(|condition, _| !shares(&field.points[*condition as usize], number) && condition % 4 != 0);
        let found = Predictions::of(&field, &measured, &blocks, 5);
        let own = |one: &&Predicted| shares(&field.points[one.condition as usize], number);
        assert_eq!(found.predicted.iter().filter(own).count(), 0, "{named:?}");
        assert!(!found.predicted.is_empty());
        let why: Vec<&Quarantine> = found.quarantined.iter().filter(|one| one.shared == named).collect();
        assert!(why.iter().any(|one| (one.side, one.doubt) == (None, Doubt::NotCovered)), "{why:?}");
    }
}
