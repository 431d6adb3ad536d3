//! What each job of a sequence needs before it: the walk of [`super::cost`], job by job.

use super::cost::Walker;
use super::model::Problem;

/// The change-over before one job.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct ChangeOver {
    /// Ramps, soak, settling, hands and boot, min.
    pub minutes: f64,
    /// Something was fitted by hand.
    pub hands_on: bool,
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
            // Nobody is waited for, so nothing can fail.
            let _ = walker.step(*job, &mut |_, _| Ok(0.0));
            let spent = walker.cost.minutes.minus(&before.minutes);
            ChangeOver {
                minutes: (spent.total() - spent.measuring - spent.training).max(0.0),
                hands_on: walker.cost.changes > before.changes,
            }
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
                seat: 0,
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
        assert_eq!(steps.iter().filter(|step| step.hands_on).count() as u32, cost.changes);
        assert_eq!(change_overs(&problem, &[99]), [Default::default()]);
    }
}
