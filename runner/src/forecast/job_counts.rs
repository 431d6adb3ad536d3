//! How far the jobs of a plan are: the same numbers, in the same words, wherever they are told.

use judge::judged::JudgedRun;
use nightbench_core::condition::ConditionState;
use nightbench_core::text::counted;
use plan::expand::Job;
use serde::Serialize;

/// The jobs of a plan: `done`, `to_do`, `not_needed` and `predicted` are all of them.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
pub struct JobCounts {
    pub plan: usize,
    /// With a result, whatever it is.
    pub done: usize,
    pub to_do: usize,
    /// A search knows its answer without them.
    pub not_needed: usize,
    /// Their verdicts are predicted, or will be as far as it is known now.
    pub predicted: usize,
}

impl JobCounts {
    /// Where nothing is judged: what is not done is to be done.
    pub fn unjudged(plan: usize, done: usize) -> JobCounts {
        let done = done.min(plan);
        JobCounts { plan, done, to_do: plan - done, not_needed: 0, predicted: 0 }
    }

    /// Of a judged run of these jobs.
    pub fn of(run: &JudgedRun, jobs: &[Job], done: usize) -> JobCounts {
        let with = |state: ConditionState| {
            let is = |job: &&Job| {
                run.conditions.get(job.condition as usize).is_some_and(|judged| judged.state == state)
            };
            jobs.iter().filter(is).count()
        };
        let (not_needed, predicted) = (with(ConditionState::NotNeeded), with(ConditionState::Predicted));
        let done = done.min(jobs.len() - not_needed - predicted);
        let to_do = jobs.len() - done - not_needed - predicted;
        JobCounts { plan: jobs.len(), done, to_do, not_needed, predicted }
    }

    /// So many are still to come, as it is foretold; the rest is predicted.
    pub fn foretold(self, to_come: usize) -> JobCounts {
        let open = self.to_do + self.predicted;
        let to_do = to_come.min(open);
        JobCounts { to_do, predicted: open - to_do, ..self }
    }

    /// So many that the plan does not count on are asked for all the same.
    pub fn asked_for(self, jobs: usize) -> JobCounts {
        let of_search = jobs.min(self.not_needed);
        let of_predicted = (jobs - of_search).min(self.predicted);
        JobCounts {
            to_do: self.to_do + of_search + of_predicted,
            not_needed: self.not_needed - of_search,
            predicted: self.predicted - of_predicted,
            ..self
        }
    }

    /// In words: `12 of 24 jobs done (60 %), 8 to do, 4 not needed`; the share is of what is done in the end.
    pub fn words(&self) -> String {
        let share = 100.0 * self.done as f64 / (self.done + self.to_do).max(1) as f64;
        let mut words = format!("{} of {} done ({share:.0} %)", self.done, counted(self.plan, "job"));
        for (count, what) in
            [(self.to_do, "to do"), (self.not_needed, "not needed"), (self.predicted, "predicted")]
        {
            if count > 0 {
                words.push_str(&format!(", {count} {what}"));
            }
        }
        words
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_job_is_counted_once() {
        let sum = |counts: JobCounts| counts.done + counts.to_do + counts.not_needed + counts.predicted;
        let counts = JobCounts { plan: 24, done: 10, to_do: 8, not_needed: 4, predicted: 2 };
        assert_eq!(counts.words(), "10 of 24 jobs done (56 %), 8 to do, 4 not needed, 2 predicted");
        for foretold in [0, 3, 100] {
            assert_eq!(sum(counts.foretold(foretold)), 24, "{foretold}");
        }
        assert_eq!(counts.foretold(3), JobCounts { to_do: 3, predicted: 7, ..counts });
        assert_eq!(counts.asked_for(5), JobCounts { to_do: 13, not_needed: 0, predicted: 1, ..counts });
        assert_eq!(
            JobCounts::unjudged(8, 9),
            JobCounts { plan: 8, done: 8, to_do: 0, not_needed: 0, predicted: 0 }
        );
    }
}
