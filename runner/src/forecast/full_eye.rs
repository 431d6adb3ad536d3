//! What a full eye costs after rows and columns, and whether it follows where these leave a verdict in doubt.

use super::Expected;
use nightbench_core::point_rule::PointRule;
use nightbench_core::results::CaptureMode;
use plan::Plan;
use plan::expand::Condition;

/// Of verdicts within U of their limit a full eye mends this share at most, since it goes on from the same counts of the same rims: the
/// `rows` of the capture bench saw 0.2 % of 1,720 limits about 43 sizes, which leave 3 % possible.
const MENDS: f64 = 0.05;

/// Full eyes after rows and columns.
pub struct FullEyes<'p> {
    plan: &'p Plan,
    lines: Expected<'p>,
    eyes: Expected<'p>,
}

impl<'p> FullEyes<'p> {
    /// Of a plan, points being measured by a rule.
    pub fn new(plan: &'p Plan, rule: PointRule) -> FullEyes<'p> {
        let with = |mode| Expected::with_capture(plan, mode, rule);
        FullEyes { plan, lines: with(CaptureMode::RowAndColumn), eyes: with(CaptureMode::Exact) }
    }

    /// Hours that one takes beyond the rows and columns of a condition.
    pub fn hours(&self, condition: &Condition) -> f64 {
        let more = self.eyes.of(condition).measuring_s - self.lines.of(condition).measuring_s;
        more.max(0.0) / 3600.0
    }

    /// Does one follow where a width or height lies within its guard band or U? Where the plan has a price of wrong verdicts, only where
    /// what it mends is worth its hours.
    pub fn follows_doubt(&self, condition: &Condition) -> bool {
        let price = self.plan.predicted.map(|asked| asked.wrong_verdict_hours);
        price.is_none_or(|price| full_eye_pays(self.hours(condition), price))
    }
}

/// Is a full eye of so many hours worth what it mends, where a wrong verdict is worth `price_hours`?
pub fn full_eye_pays(hours: f64, price_hours: f64) -> bool {
    hours < MENDS * price_hours
}

#[cfg(test)]
mod tests {
    use super::*;
    use plan::expand::expand;
    use plan::selection::Selection;

    fn follows(ber_limit: f64, price: Option<f64>) -> bool {
        let predicted = price.map_or_else(String::new, |price| {
            format!("[predicted]\nwrong_verdict_hours = {price}\naudit_blocks = 4\n")
        });
        let text = format!(
            "title = \"Deep\"\n[interface]\ngeneration = \"DDR4\"\nlanes = 40\n[[module]]\nname = \"Amber\"\nkind = \"UDIMM\"\n\
             rated = 2666\n[[channel]]\nname = \"direct\"\nfits = [\"UDIMM\"]\n[matrix]\nrate = [2400]\n[capture]\n\
             ber_limit = {ber_limit:e}\nmode = \"row_and_column\"\n[[limit]]\nmetric = \"width\"\nminimum = 100\nunit = \"ps\"\n\
             source = \"invented\"\n{predicted}"
        );
        let plan = Plan::read(&text).unwrap_or_else(|mistakes| panic!("{mistakes:?}"));
        let condition = expand(&plan, &Selection::default()).conditions[0];
        FullEyes::new(&plan, plan.capture.rule).follows_doubt(&condition)
    }

    #[test]
    fn a_full_eye_follows_where_the_price_pays_for_it() {
        // Nobody asked what a wrong verdict is worth.
        assert!(follows(1e-9, None));
        // Most of an hour at 1e-9, half a minute at 1e-7, for at most a twentieth of a wrong verdict.
        assert!(!follows(1e-9, Some(5.0)) && follows(1e-9, Some(1000.0)));
        assert!(follows(1e-7, Some(5.0)) && !follows(1e-7, Some(0.01)));
    }
}
