//! What a plan with predicted verdicts will take: part of `preview`.

use super::preview_folder::PreviewFolder;
use crate::console::exit::Failure;
use crate::console::terminal::Terminal;
use crate::folder::run_folder::keys_of;
use crate::forecast::Forecast;
use crate::inputs::plan_file::PlanFile;
use crate::run::execute::Executor;
use crate::run::prediction::choosing::Basis;
use crate::run::prediction::expected::ask;
use crate::run::prediction::foreseen::Foreseen;
use crate::run::prediction::note::{Kept, Marks};
use crate::store::Target;
use judge::prediction::Prior;
use nightbench_core::text::counted;
use plan::Plan;
use plan::predicted::Predicted;

/// What predictions are made from.
pub struct Predicting<'f> {
    whole: &'f Forecast,
    asked: Predicted,
    prior: Prior,
    seed: u64,
    marks: Marks,
}

impl<'f> Predicting<'f> {
    /// Of a plan with its run folder; `None` where it measures everything, or only a selection is looked at.
    ///
    /// # Errors
    /// Exit 2 for a plan or folder that does not fit, exit 74 for a store that cannot be read.
    pub fn of(
        terminal: &Terminal,
        file: &PlanFile,
        folder: &'f PreviewFolder,
    ) -> Result<Option<Predicting<'f>>, Failure> {
        let (plan, whole) = (&file.plan, folder.whole());
        let Some(asked) = plan.predicted.filter(|_| folder.is_everything()) else { return Ok(None) };
        let own = |target: &Target| -> Result<Marks, Failure> {
            Ok(Marks::of(&file.text, &whole.expansion, &keys_of(plan, target)?))
        };
        let (mut kept, mut seed, mut target) = (None, 1, Target::Simulated);
        if let Some(reader) = folder.reader() {
            let meta = reader.meta()?;
            seed = meta.seed;
            kept = Kept::of(reader, &own(&meta.target)?)?;
            target = meta.target;
        }
        let marks = own(&target)?;
        let keys = keys_of(plan, &Target::Simulated)?;
        let prior = match kept {
            Some(kept) => kept.prior,
            None => {
                let executor = Executor::new(plan, &whole.expansion, &keys);
                ask(terminal, (plan, whole, &executor), &file.measured)
            }
        };
        Ok(Some(Predicting { whole, asked, prior, seed, marks }))
    }

    /// For the walk.
    pub fn basis(&self, plan: &'f Plan) -> Basis<'f> {
        Basis::new(plan, self.whole, self.asked, (&self.prior, self.marks.clone()), self.seed)
    }
}

/// What is foreseen, in words.
pub fn prediction_words(asked: Predicted, seen: &Foreseen) -> String {
    let all = seen.conditions >= seen.whole_conditions;
    let takes = match all {
        true => "everything is measured, in the plan's order where cover and audits take as long".to_string(),
        false => format!(
            "{:.1} h and {} in place of {:.1} h and {}; a bench that differs takes more",
            seen.hours,
            counted(seen.conditions, "condition"),
            seen.whole_hours,
            seen.whole_conditions,
        ),
    };
    format!(
        "with predicted verdicts, at {} h a wrong one: what is measured is decided while it runs. Cover and audits alone take {:.1} h ({}). \
         On a bench where every margin is as the channel model expects, {takes}",
        asked.wrong_verdict_hours,
        seen.mandatory_hours,
        counted(seen.mandatory_conditions, "condition"),
    )
}
