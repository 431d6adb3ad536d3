//! What each job of a sequence needs before it: the walk of [`super::cost`], job by job.

use super::cost::Walker;
use super::model::Problem;

/// The change-over before one job.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct ChangeOver {
    /// Ramps, soak, settling, hands and boot, min.
    pub minutes: f64,
    /// What was mounted by hand in it.
    pub hands: Option<ByHand>,
}

/// A change by hand within a change-over.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct ByHand {
    /// When hands begin, min after the start of the change-over: the chamber comes to a touch-safe
    /// temperature first.
    pub after_min: f64,
    /// The chamber's temperature then, degC.
    pub chamber_c: f64,
}

/// The change-over before each job of the sequence. Indices the problem does not have give none.
pub fn change_overs(p: &Problem, sequence: &[u32]) -> Vec<ChangeOver> {
    let mut walker = Walker::new(p);
    sequence
        .iter()
        .map(|job| {
            if *job as usize >= p.jobs.len() {
                return ChangeOver::default();
            }
            let before = walker.cost;
            let chamber_c = p.bench.nearest_touch_safe_c(walker.chamber_c);
            let mut hands = None;
            // Nothing is waited for, so nothing can fail.
            let _ = walker.step(*job, &mut |now_min, _| {
                hands = Some(ByHand { after_min: now_min - before.minutes.total(), chamber_c });
                Ok(0.0)
            });
            let spent = walker.cost.minutes.minus(&before.minutes);
            ChangeOver { minutes: (spent.total() - spent.measuring - spent.training).max(0.0), hands }
        })
        .collect()
}

#[cfg(test)]
mod tests {
    use super::super::model::{BenchTimes, JobInput};
    use super::super::{Problem, cost_of};
    use super::change_overs;

    #[test]
    fn the_change_overs_add_up_to_the_cost_of_the_sequence() {
        let input: Vec<JobInput> = (0..12u16)
            .map(|k| JobInput {
                module: u32::from(k / 4),
                channel: 0,
                mounting_number: 0,
                temperature: k % 3,
                supply: k % 2,
                rate: k % 4,
                measure_s: 30.0 + f64::from(k),
                train_s: 5.0,
                held: false,
            })
            .collect();
        let problem = Problem::new(BenchTimes::default(), vec![0.0, 25.0, 85.0], &input).unwrap();
        let sequence: Vec<u32> = (0..12).collect();
        let steps = change_overs(&problem, &sequence);
        let cost = cost_of(&problem, &sequence);
        let total: f64 = steps.iter().map(|step| step.minutes).sum();
        let expected = cost.minutes.total() - cost.minutes.measuring - cost.minutes.training;
        assert!((total - expected).abs() < 1e-9 && expected > 1.0, "{total} {expected}");
        let hands: Vec<_> =
            steps.iter().filter_map(|step| step.hands.map(|hands| (hands, step.minutes))).collect();
        assert_eq!(hands.len() as u32, cost.changes);
        // The second mounting follows a job at 0 degC: the chamber becomes safe to touch before hands go in.
        let (second, minutes) = hands[1];
        let bench = BenchTimes::default();
        assert_eq!(second.chamber_c, bench.nearest_touch_safe_c(0.0));
        let ramp = bench.ramp_min(0.0, second.chamber_c);
        assert!((second.after_min - ramp).abs() < 1e-9 && ramp < minutes, "{second:?} of {minutes} min");
        assert_eq!((hands[0].0.after_min, hands[0].0.chamber_c), (0.0, bench.start_c));
        assert_eq!(change_overs(&problem, &[99]), [Default::default()]);
    }
}
