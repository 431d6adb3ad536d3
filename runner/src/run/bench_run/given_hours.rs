//! A bench run that is given hours: what it does next, and what it does not begin any more.

use super::queue::Queue;
use super::site::Site;
use crate::forecast::Forecast;
use crate::run::hours::{Choice, HandsNote, scheduled};
use crate::run::known::Known;
use crate::run::pending::PendingJob;
use contract::CancelToken;
use judge::worths;
use plan::Plan;
use plan::attended::dated_words;
use schedule::{Calendar, Pace, Problem, Standing, Walk};
use std::collections::HashSet;
use std::sync::atomic::{AtomicBool, AtomicU64, Ordering};
use std::time::{Duration, Instant};

/// Kept free at the end: a share of the hours and some minutes, for what no forecast knows (switching off, measuring that it is off).
const KEPT_SHARE: f64 = 0.02;
const KEPT_MIN: f64 = 1.0;
/// The way home may take so much longer than expected (estimate).
const HOME_SHARE: f64 = 0.25;
/// How often a job is looked at that may have to be cut.
const LOOK: Duration = Duration::from_millis(10);

/// The hours of a run on a bench.
pub(super) struct GivenHours<'p> {
    plan: &'p Plan,
    forecast: &'p Forecast,
    pub hours: f64,
    calendar: Calendar,
    /// Somebody can change what is mounted.
    hands: bool,
    /// Jobs that are not chosen.
    waiting: Vec<PendingJob>,
    /// Keys of jobs that would not end in time any more.
    too_late: HashSet<[u8; 32]>,
    /// Jobs done since the last choice; `None`: nothing was chosen yet.
    done_since: Option<usize>,
    /// The last job, whose condition may still hold.
    last: Option<u32>,
    /// How long the last two ramps took in units of the forecast: one odd one neither hides a slow bench nor is believed for long.
    ramps: [f64; 2],
    /// A job was cut: nothing is begun any more.
    over: bool,
}

/// Change of temperature whose duration says how fast the bench ramps, K.
const NOTABLE_K: f64 = 5.0;

impl<'p> GivenHours<'p> {
    /// From the beginning of a run.
    pub fn new(
        (plan, forecast): (&'p Plan, &'p Forecast),
        hours: f64,
        (calendar, hands): (Calendar, bool),
    ) -> GivenHours<'p> {
        GivenHours {
            plan,
            forecast,
            hours,
            calendar,
            hands,
            waiting: Vec::new(),
            too_late: HashSet::new(),
            done_since: None,
            last: None,
            ramps: [1.0; 2],
            over: false,
        }
    }

    fn kept_free_min(&self) -> f64 {
        KEPT_SHARE * 60.0 * self.hours + KEPT_MIN
    }

    /// There is more to choose from than before.
    pub fn begin_again(&mut self) {
        self.done_since = None;
    }

    /// Is it over?
    pub fn is_over(&self) -> bool {
        self.over
    }

    /// Is a choice due? When nothing was chosen yet, and once something was done since, where what is mounted is through.
    pub fn is_due(&self, queue: &Queue<'_>) -> bool {
        match self.done_since {
            None => true,
            Some(0) => false,
            Some(_) => !queue.goes_on_mounted(),
        }
    }

    /// Chooses what is done next of everything that is left.
    pub fn choose(&mut self, queue: &mut Queue<'_>, known: &Known<'_>, site: &Site<'_>) {
        let worths = worths(self.plan, &known.judged());
        let all = queue.take_all(std::mem::take(&mut self.waiting), known);
        let problem = self.problem(queue);
        let choice = self.choice(&problem, queue, site);
        let mut chosen = Vec::new();
        // Where a search waits for what does not fit any more, its first questions are asked without.
        for alone in [false, true] {
            let open = |one: &&PendingJob| !self.too_late.contains(&one.key) && queue.asks_for(one, alone);
            let candidates: Vec<PendingJob> = all.iter().filter(open).copied().collect();
            chosen = choice.choose(&candidates, &worths);
            if !chosen.is_empty() {
                break;
            }
        }
        let keys: HashSet<[u8; 32]> = chosen.iter().map(|one| one.key).collect();
        self.waiting = all.into_iter().filter(|one| !keys.contains(&one.key)).collect();
        queue.follow(chosen);
        self.done_since = Some(0);
    }

    fn choice<'c>(&'c self, problem: &'c Problem, queue: &Queue<'_>, site: &Site<'_>) -> Choice<'c> {
        Choice {
            plan: self.plan,
            forecast: self.forecast,
            problem,
            calendar: &self.calendar,
            from: site.standing(queue.scheduled()),
            last: self.last,
            end_min: site.end_min(self.hours) - self.kept_free_min(),
            hands: self.hands,
        }
    }

    /// What is left because nobody is there; `None` where that is not what it is left for.
    pub fn waits_for_hands(
        &self,
        left: &[PendingJob],
        queue: &Queue<'_>,
        known: &Known<'_>,
        site: &Site<'_>,
    ) -> Option<HandsNote> {
        let problem = self.problem(queue);
        let worths = worths(self.plan, &known.judged());
        self.choice(&problem, queue, site)
            .waits_for_hands(left, &worths)
            .map(|waits| HandsNote::new(dated_words(waits.come_min), &waits))
    }

    /// The forecast's problem on a bench as fast as this one has been.
    fn problem(&self, queue: &Queue<'_>) -> Problem {
        self.forecast.problem.paced(&Pace::from(queue.learned()))
    }

    /// How much longer than by the forecast a ramp takes here, 1 at least.
    fn slower(&self) -> f64 {
        self.ramps[0].max(self.ramps[1]).max(1.0)
    }

    /// Minutes from a job's temperature to where hands are safe, by the forecast.
    fn way_home_min(&self, problem: &Problem, one: &PendingJob) -> f64 {
        let celsius = one.condition.temperature(self.plan).0;
        let bench = problem.bench();
        bench.ramp_min(celsius, bench.nearest_touch_safe_c(celsius))
    }

    /// When the bench would be home after one more job, min, with what is kept free for what no forecast knows.
    fn home_after_min(&self, one: &PendingJob, problem: &Problem, standing: Standing) -> f64 {
        let walk = Walk::new(problem, standing, self.last, &self.calendar);
        let there_min = problem.bench().ramp_min(standing.chamber_c, one.condition.temperature(self.plan).0);
        let home_min = self.way_home_min(problem, one);
        walk.home_after_min(scheduled(self.forecast, one), None)
            + (self.slower() - 1.0) * (there_min + home_min)
            + self.kept_free_min()
            + HOME_SHARE * self.slower() * home_min
    }

    /// Would a job end in time, with its change-over and the way home?
    pub fn fits(&self, one: &PendingJob, queue: &Queue<'_>, site: &Site<'_>) -> bool {
        let problem = self.problem(queue);
        self.home_after_min(one, &problem, site.standing(queue.scheduled())) <= site.end_min(self.hours)
    }

    /// The latest local time, min, at which a job whose setup was just mounted could still end in time.
    pub fn latest_mounting_min(&self, one: &PendingJob, queue: &Queue<'_>, site: &Site<'_>) -> f64 {
        let problem = self.problem(queue);
        let bench = problem.bench();
        let standing = site.standing(problem.mounting_of(scheduled(self.forecast, one)));
        let standing = Standing { chamber_c: bench.nearest_touch_safe_c(standing.chamber_c), ..standing };
        let check_min = (bench.boot_s + bench.mounting_check_s) / 60.0;
        site.end_min(self.hours)
            - check_min
            - (self.home_after_min(one, &problem, standing) - standing.now_min)
    }

    /// Runs something that is cut when a job would not end in time any more, or a stop is asked for; it says when the job's temperature
    /// is reached. `cut` says whether it was cut for want of time.
    ///
    /// The way home takes as much longer than by the forecast as the way there has taken so far: a forecast that is too fast shows on the
    /// first ramp, before it is too late.
    pub fn in_time<T>(
        &mut self,
        one: &PendingJob,
        (queue, site): (&Queue<'_>, &mut Site<'_>),
        run: impl FnOnce(&mut Site<'_>, &CancelToken, &mut dyn FnMut()) -> T,
    ) -> (T, bool) {
        let problem = self.problem(queue);
        let home_min = self.way_home_min(&problem, one);
        let scale = site.file.time_scale;
        let left_min = site.end_min(self.hours) - site.local_min() - 0.5 * self.kept_free_min();
        let celsius = one.condition.temperature(self.plan).0;
        let there_k = (celsius - site.chamber_c).abs();
        let there_min = problem.bench().ramp_min(site.chamber_c, celsius);
        let soak_min = (problem.bench().soak_s + problem.bench().settle_s) / 60.0;
        let begin = Instant::now();
        let passed_min = move || begin.elapsed().as_secs_f64() * scale / 60.0;
        let longer = move |reached_min: f64| match there_k >= NOTABLE_K {
            true => (reached_min - soak_min) / there_min,
            false => 0.0,
        };
        let slower = self.slower();
        // Bits of the minutes after which the temperature was reached.
        let reached = AtomicU64::new(f64::NAN.to_bits());
        let reached_min = |passed: f64| {
            let known = f64::from_bits(reached.load(Ordering::SeqCst));
            if known.is_nan() { passed } else { known }
        };
        let (token, stop, done) = (CancelToken::new(), site.cancel, AtomicBool::new(false));
        let answer = std::thread::scope(|scope| {
            scope.spawn(|| {
                while !done.load(Ordering::SeqCst) {
                    let passed = passed_min();
                    let home = (1.0 + HOME_SHARE) * home_min * slower.max(longer(reached_min(passed)));
                    if stop.is_cancelled() || passed + home >= left_min {
                        return token.cancel();
                    }
                    std::thread::sleep(LOOK);
                }
            });
            // Whichever way it ends, a panic included, nothing watches for it any more.
            let _end = Ends(&done);
            // Of several tries the first to reach it says how long the ramp took.
            let mut says = || reached.store(reached_min(passed_min()).to_bits(), Ordering::SeqCst);
            run(site, &token, &mut says)
        });
        let known = f64::from_bits(reached.load(Ordering::SeqCst));
        if known.is_finite() && there_k >= NOTABLE_K {
            self.ramps = [self.ramps[1], longer(known)];
        }
        (answer, token.is_cancelled() && !stop.is_cancelled())
    }

    /// Nobody answered when hands were asked for: only what is mounted is measured.
    pub fn nobody_came(&mut self) {
        (self.hands, self.done_since) = (false, None);
    }

    /// A job would not end in time any more.
    pub fn leave(&mut self, one: &PendingJob) {
        self.too_late.insert(one.key);
        self.waiting.push(*one);
    }

    /// A job was cut for want of time: nothing is begun any more.
    pub fn cut(&mut self, one: &PendingJob) {
        self.over = true;
        self.leave(one);
    }

    /// A job is done.
    pub fn learn(&mut self, one: &PendingJob) {
        self.done_since = self.done_since.map(|done| done + 1);
        self.last = Some(scheduled(self.forecast, one));
    }

    /// Everything that was not chosen, at the end.
    pub fn take_waiting(&mut self) -> Vec<PendingJob> {
        std::mem::take(&mut self.waiting)
    }
}

struct Ends<'a>(&'a AtomicBool);

impl Drop for Ends<'_> {
    fn drop(&mut self) {
        self.0.store(true, Ordering::SeqCst);
    }
}
