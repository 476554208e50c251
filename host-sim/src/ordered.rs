//! Lays the orders of a recording out in time and on the ground, for the judge.
//!
//! Nothing here asks the controller: what an order means is worked out from the recording,
//! the machine file and the ground that everything else is judged against.

use controller_core::{BenchRequest, Mode, Over};
use ground_truth::{Ground, KeepOff, ModeOrder, Ordered, Orders, SeenGround};

use crate::machine::Machine;
use crate::orders::Order;
use crate::recording::Recording;

/// The orders of a recording and the ground that its images cover; `None` where every
/// nozzle was to spray plants all along and unseen ground stays dry.
pub(crate) fn ordered(
    machine: &Machine,
    recording: &Recording,
    ground: &dyn Ground,
    origin_us: u64,
) -> Option<(Orders, Vec<SeenGround>)> {
    let modes = &machine.modes;
    let plain = recording.orders().next().is_none();
    if plain && !modes.spray_unseen && !modes.acknowledge_at_start {
        return None;
    }
    let seconds = |t_us: u64| {
        if t_us >= origin_us {
            (t_us - origin_us) as f64 * 1e-6
        } else {
            -((origin_us - t_us) as f64 * 1e-6)
        }
    };
    let timing = &machine.timing;
    let mut orders = Orders {
        sections: machine.section_runs(),
        // An order waits for a decision instant, and the command lies in its window.
        reaction_s: 2.0 * timing.decision_period_s + timing.slack_s + 1e-4,
        keep_off_margin_m: modes.keep_off_margin_m,
        shortest_on_s: timing.shortest_on_s,
        shortest_off_s: timing.shortest_off_s,
        creep_m_s: machine.wheel.creep_speed_m_s,
        ..Orders::default()
    };
    let mut switches = Switches::default();
    let mut stops = Stops {
        since: modes.acknowledge_at_start.then_some(-1e4),
        low: false,
    };
    for (t_us, order) in recording.orders() {
        let at_s = seconds(t_us);
        match *order {
            Order::Mode { section, mode } => {
                for index in 0..orders.sections.len() {
                    if section.is_none_or(|s| usize::from(s) == index) {
                        let mode = ordered_mode(mode);
                        orders.modes.push(ModeOrder {
                            at_s,
                            section: index,
                            mode,
                        });
                    }
                }
            }
            Order::Switches { spot, broadcast } => {
                let quiet = modes.switch_quiet_s;
                switches.read(at_s, spot, broadcast, quiet, &mut orders);
            }
            Order::KeepOff { over, from_m, to_m } => {
                let (first, end) = match over {
                    Over::Boom => (0, machine.nozzles.len()),
                    Over::Section(s) => {
                        let run = orders.sections.get(usize::from(s));
                        run.copied().unwrap_or_default()
                    }
                    Over::Nozzles { first, count } => {
                        let first = usize::from(first);
                        (first, first + usize::from(count))
                    }
                };
                let here = ground.position(at_s);
                orders.keep_off.push(KeepOff {
                    at_s,
                    first,
                    end,
                    from_x: here + from_m,
                    to_x: here + to_m,
                });
            }
            Order::EmergencyStop => stops.close(at_s),
            Order::Supply { ok } => {
                stops.low = !ok;
                if !ok {
                    stops.close(at_s);
                }
            }
            Order::Acknowledge => {
                let stands = ground.speed(at_s) < 0.5 * machine.wheel.creep_speed_m_s;
                if stands && !stops.low {
                    orders
                        .closed
                        .extend(stops.since.take().map(|from| (from, at_s)));
                }
            }
            Order::Bench(BenchRequest::Release) => {}
            Order::Bench(_) => orders.bench.push(at_s),
        }
    }
    orders.closed.extend(stops.since.map(|from| (from, 1e7)));
    orders.modes.sort_by(|a, b| a.at_s.total_cmp(&b.at_s));
    let mut seen = Vec::new();
    if modes.spray_unseen {
        let view = |y: f64, l: f64, r: f64| (y - l, y + r);
        orders.views = (machine.detectors.iter())
            .map(|d| view(d.y_m, d.view_left_m, d.view_right_m))
            .collect();
        seen.extend(recording.images().map(|(t_us, image)| {
            let detector = usize::from(image.detector);
            let mount = machine.detectors.get(detector).map_or(0.0, |d| d.x_m);
            SeenGround {
                arrived_s: seconds(t_us),
                captured_s: seconds(image.captured_us),
                detector,
                from_m: mount + image.seen.0,
                to_m: mount + image.seen.1,
            }
        }));
    }
    Some((orders, seen))
}

fn ordered_mode(mode: Mode) -> Ordered {
    match mode {
        Mode::Spot => Ordered::Spot,
        Mode::Broadcast => Ordered::Broadcast,
        Mode::Off => Ordered::Off,
    }
}

/// Since when everything is to be closed.
struct Stops {
    since: Option<f64>,
    low: bool,
}

impl Stops {
    fn close(&mut self, at_s: f64) {
        self.since.get_or_insert(at_s);
    }
}

/// The switches' wires as last read.
#[derive(Default)]
struct Switches {
    wires: Option<(u64, u64)>,
}

impl Switches {
    /// A wire that moves means what it says once it has been quiet: what an earlier move
    /// would have meant later than that is void.
    fn read(&mut self, at_s: f64, spot: u64, broadcast: u64, quiet_s: f64, orders: &mut Orders) {
        let before = self.wires.replace((spot, broadcast));
        for section in 0..orders.sections.len() {
            let bits = |(s, b): (u64, u64)| (s >> section & 1, b >> section & 1);
            let now = bits((spot, broadcast));
            if before.map(bits) == Some(now) {
                continue;
            }
            orders
                .modes
                .retain(|m| m.section != section || m.at_s <= at_s);
            orders.modes.push(ModeOrder {
                at_s: at_s + quiet_s,
                section,
                mode: match now {
                    (1, 0) => Ordered::Spot,
                    (0, 1) => Ordered::Broadcast,
                    _ => Ordered::Off,
                },
            });
        }
    }
}
