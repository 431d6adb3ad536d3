//! One setup made ready: channel, data, jitter and noise that its lanes share.

use super::channel::{Channel, Dfe, Setup};
use super::data::Data;
use super::dfe;
use super::edges::EdgeEffects;
use super::error::PhysicsError;
use super::jitter;
use super::kernels::Kernels;
use super::pulse::{self, Response, Shaper};
use super::stateye::BIN_V;
use super::surface::LaneSurface;
use super::timing;
use super::variation::BitVariation;
use std::sync::Arc;

/// Largest pulse or coupling excursion that is still taken for a data line.
const LARGEST_RESPONSE: f64 = 4.0;

/// One setup made ready: what its lanes share. Cheap to copy, usable from several threads.
#[derive(Clone)]
pub struct Link {
    shared: Arc<Shared>,
}

pub(super) struct Shared {
    pub channel: Channel,
    shaper: Shaper,
    /// Weights of the sampling jitter on its grid.
    pub jitter: Vec<f64>,
    pub data: Data,
    pub kernels: Arc<Kernels>,
    pub effects: EdgeEffects,
}

impl Link {
    /// Makes `setup` ready: checks it and computes what its lanes share.
    ///
    /// # Errors
    /// Whatever is wrong with the setup, see [`Setup::validate`].
    pub fn new(setup: Setup) -> Result<Self, PhysicsError> {
        Link::beside(setup, None)
    }

    /// The same, with what a lane of another setup has tabulated where its noise is this one's.
    ///
    /// # Errors
    /// Whatever is wrong with the setup, see [`Setup::validate`].
    pub fn beside(setup: Setup, lane: Option<&LaneSurface>) -> Result<Self, PhysicsError> {
        let channel =
            Channel::new(setup.clone(), &pulse::frequencies(setup.operating_point.data_rate_bps.max(1.0)))?;
        let shaper = Shaper::new(&channel);
        let p = &setup.parameters;
        let drifted = channel.drifted();
        let bounded_v = p.v_dj_mv * 1e-3;
        let data = Data::new(&setup.pattern, &p.coupling_weights(), drifted.rx_noise_v, bounded_v);
        let jitter = jitter::weights(
            setup.operating_point.unit_interval_s(),
            drifted.rj_s,
            p.dcd_ps * 1e-12,
            p.dj_ps * 1e-12,
            p.compared_bits,
        );
        let effects = EdgeEffects::new(&setup, drifted);
        let noise = (drifted.rx_noise_v, bounded_v);
        let kernels = lane
            .map(LaneSurface::kernels)
            .filter(|known| (known.noise_v(), known.bounded_v()) == noise)
            .map_or_else(|| Arc::new(Kernels::new(noise.0, noise.1, BIN_V)), Arc::clone);
        Ok(Link { shared: Arc::new(Shared { channel, shaper, jitter, data, kernels, effects }) })
    }

    /// The setup this link was made of.
    #[must_use]
    pub fn setup(&self) -> &Setup {
        self.shared.channel.setup()
    }

    /// Pulse and coupling response of one bit.
    ///
    /// # Errors
    /// [`PhysicsError::OutOfRange`] for an impossible deviation, or a response no passive data line has.
    pub fn response(&self, bit: &BitVariation) -> Result<Response, PhysicsError> {
        let channel = &self.shared.channel;
        let own = channel.transfer(bit)?;
        let coupled = channel.coupling(bit)?;
        let edges = if self.shared.effects.any() { Some(channel.edges(bit)?) } else { None };
        let response = self.shared.shaper.response(&own, coupled.as_deref(), edges.as_ref());
        // A passive path stays below 1; only a faulty measurement or a lossless resonance gets near this.
        PhysicsError::check_range(
            "the largest excursion of the pulse response, as a share of VDDQ (a resonance without loss, or a measured \
             two-port with gain, drives it up),",
            response.largest(),
            0.0,
            LARGEST_RESPONSE,
            "",
        )?;
        Ok(response)
    }

    /// One lane, with nothing of its surface computed yet.
    ///
    /// # Errors
    /// [`PhysicsError::OutOfRange`] for an impossible deviation.
    pub fn lane(&self, bit: &BitVariation) -> Result<LaneSurface, PhysicsError> {
        let response = self.response(bit)?;
        let setup = self.setup();
        let (p, at) = (&setup.parameters, &setup.operating_point);
        let middle_v =
            timing::levels_v(setup.signalling, at.vddq_v, response.h0).1 + at.vddq_v * response.middle_shift;
        let amplitude_v = 0.5 * at.vddq_v;
        let feedback_v = match setup.dfe {
            Dfe::Off => [0.0; 4],
            Dfe::FourTap => dfe::adapt(&dfe::Taps::of(p, setup.direction), &response, amplitude_v),
        };
        let thresholds: Vec<f64> =
            timing::thresholds_v(p, at.vddq_v, bit).iter().map(|v| v - middle_v).collect();
        let instants = self.instants_ui(bit);
        Ok(LaneSurface::new(self, response, (amplitude_v, middle_v), feedback_v, thresholds, instants))
    }

    /// Instants of all taps of one bit, unit intervals.
    pub(super) fn instants_ui(&self, bit: &BitVariation) -> Vec<f64> {
        let setup = self.setup();
        let ui_s = setup.operating_point.unit_interval_s();
        timing::tap_instants_ui(&setup.parameters, self.shared.channel.drifted(), bit, ui_s)
    }

    pub(super) fn shared(&self) -> Arc<Shared> {
        Arc::clone(&self.shared)
    }
}
