//! Jobs that are to be done, and the mountings they belong to.

use crate::forecast::Forecast;
use crate::store::JobRow;
use plan::Plan;
use plan::expand::{Condition, Job};
use plan::keys::JobKeys;
use plan::matrix::Factor;

/// A job to be done.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct PendingJob {
    pub job: Job,
    pub condition: Condition,
    pub key: [u8; 32],
    /// Its place in the plan's order.
    pub position: u64,
    /// Which attempt at it, from 1.
    pub attempt: u32,
}

/// One mounting of a setup: levels of chip, module and channel, and its number.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct MountingId {
    chip: u16,
    module: u16,
    channel: u16,
    number: u16,
}

/// A mounting as a person is asked for it.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Mounting {
    /// Test chip.
    pub chip: String,
    pub module: String,
    /// Its serial number, where the plan knows it.
    pub serial: Option<String>,
    pub channel: String,
    /// Which mounting of the setup, from 0: above 0 it is a re-seat.
    pub number: u32,
}

/// Every job of a forecast, in its order.
pub fn every_job(forecast: &Forecast, keys: &JobKeys<'_>) -> Vec<PendingJob> {
    (0..)
        .zip(&forecast.jobs)
        .map(|(position, job)| {
            let condition = forecast.expansion.conditions[job.condition as usize];
            PendingJob { job: *job, condition, key: keys.key(&condition, job), position, attempt: 1 }
        })
        .collect()
}

impl MountingId {
    /// The mounting that a job of a condition is measured in.
    pub fn of(condition: &Condition, job: &Job) -> MountingId {
        let (chip, module, channel) = condition.setup();
        MountingId { chip, module, channel, number: job.mounting }
    }

    /// Is a condition one of its setup?
    pub fn is_of(&self, condition: &Condition) -> bool {
        condition.setup() == (self.chip, self.module, self.channel)
    }
}

impl PendingJob {
    /// The mounting it is measured in.
    pub fn mounting(&self) -> MountingId {
        MountingId::of(&self.condition, &self.job)
    }

    /// Its mounting by the plan's names.
    pub fn mounting_by_name(&self, plan: &Plan) -> Mounting {
        let module = self.condition.module(plan);
        Mounting {
            chip: self.condition.chip(plan).name.clone(),
            module: module.name.clone(),
            serial: module.serial.clone(),
            channel: self.condition.channel(plan).name.clone(),
            number: u32::from(self.job.mounting),
        }
    }

    /// Slowest rate first, then the temperature nearest to where hands are safe, then the first supply.
    pub fn gentleness(&self, plan: &Plan) -> (u64, i64, u16) {
        let temperature = self.condition.temperature(plan).0;
        let away = (temperature - plan.times.nearest_touch_safe_c(temperature)).abs();
        (
            self.condition.rate(plan).mega_transfers().round() as u64,
            (away * 1000.0).round() as i64,
            self.condition.levels[Factor::Supply as usize],
        )
    }

    /// A job's row, without a clock.
    pub fn row(&self, plan: &Plan) -> JobRow {
        let condition = &self.condition;
        let name = |factor: Factor| plan.level_name(factor, condition.level(factor));
        JobRow {
            key: self.key,
            plan_position: self.position,
            chip: name(Factor::Chip),
            firmware: name(Factor::Firmware),
            module: name(Factor::Module),
            channel: name(Factor::Channel),
            rate: name(Factor::Rate),
            temperature: name(Factor::Temperature),
            supply: name(Factor::Supply),
            pattern: name(Factor::Pattern),
            rate_mts: condition.rate(plan).mega_transfers(),
            temperature_set_degc: condition.temperature(plan).0,
            mounting: u32::from(self.job.mounting),
            repeat: u32::from(self.job.repeat),
            start: u32::from(self.job.start),
            // A simulated result is a function of plan and seed alone: it carries no clock.
            started_utc: String::new(),
            ended_utc: String::new(),
            started_bench_s: 0.0,
            ended_bench_s: 0.0,
        }
    }
}
