//! What a board's numbers mean, in words for the person at the bench.

use controller_core::link::{Refusal, ResetCause};
use controller_core::{BenchRequest, Span};

/// Said before any valve may open.
pub const CAUTION: &str = "caution: valves are about to open. Clean water only, nobody near the boom, \
an emergency stop that cuts valve power at hand.\nThey stay open only while this runs: Ctrl-C closes them.";

/// What to do about a refusal.
pub fn remedy(refusal: Refusal) -> &'static str {
    match refusal {
        Refusal::Unreadable | Refusal::NotSupported => {
            "flash firmware of this program's version, or see what this board leaves out in its README"
        }
        Refusal::NotAcknowledged => "look at the machine, then `host-sim bench acknowledge`",
        Refusal::NotAtStandstill => {
            "stop the machine and wait until its wheel has stood for a second"
        }
        Refusal::NoSuchPlace => "count nozzles and sections of the machine file from 0",
        Refusal::NoSuchRun => "begin again: it was cut off, or not held for half a second",
        Refusal::Busy => "let the other run end, or wait half a second until it lapses",
        Refusal::OnTooLong => "ask for less, or raise bench_on_cap_s in the machine file",
        Refusal::TooShort => {
            "ask for more: shortest_on_ms and shortest_off_ms of the machine file bound it"
        }
        Refusal::WrongTimes => "give --times 1 to 20",
        Refusal::SupplyLow => "see to the supply, then acknowledge",
        Refusal::NoDirectionInput => {
            "set direction_input in the machine file, or leave directions out"
        }
        Refusal::NoTurningInput | Refusal::TurnsTooFast => {
            "look at [turning] in the machine file: what tells the heading, and how fast it may turn"
        }
        Refusal::Behind | Refusal::BadStretch => "give a stretch ahead of the boom, near end first",
        Refusal::BadMachine => "upload a machine first: `host-sim bench upload MACHINE.toml`",
        Refusal::MachineRefused => {
            "run `host-sim check` on the machine file; the board may be too small for it"
        }
        Refusal::TooLarge => "the board has room for a smaller machine; see its README",
        Refusal::PieceOutOfOrder | Refusal::WrongDigest => {
            "the line loses bytes: try again, then a lower baud rate"
        }
        Refusal::NotStored => "try again; a flash that fails for good must be replaced",
        Refusal::CapturedInFuture | Refusal::TooOld | Refusal::StampUncertain => {
            "look at the clock exchange: `host-sim bench ping`"
        }
        _ => "see what the number means in controller-core/LINK.md",
    }
}

/// A guard state by its number on the link.
pub fn guard(number: u8) -> &'static str {
    match number {
        0 => "closed: never moved since start",
        1 => "closed: stands",
        2 => "closed: not polled in time",
        3 => "running",
        4 => "closed: going back",
        5 => "closed: emergency stop, until acknowledged",
        6 => "closed: low supply, until sound and acknowledged",
        7 => "closed: waits for the first acknowledgement",
        8 => "bench: a person holds valves open",
        _ => "a state that this program does not know",
    }
}

/// Faults by their bits.
pub fn faults(bits: u32) -> Vec<String> {
    let known = [
        (16, "a valve draws no current"),
        (17, "the supply is low"),
        (18, "no sound machine description"),
        (19, "the command queue overflowed"),
        (20, "a nozzle is called faulty"),
    ];
    let detectors = (0..16)
        .filter(|bit| bits >> bit & 1 == 1)
        .map(|bit| format!("detector {bit} is silent"));
    let rest = known.iter().filter(|(bit, _)| bits >> bit & 1 == 1);
    let unknown = bits >> 21 != 0;
    detectors
        .chain(rest.map(|(_, word)| (*word).to_owned()))
        .chain(unknown.then(|| "a fault that this program does not know".to_owned()))
        .collect()
}

/// A bench request as a person would say it.
pub fn request(request: BenchRequest) -> String {
    let ms = |span: Span| f64::from(span.0) * 1e-3;
    match request {
        BenchRequest::Click { nozzle, on } => format!("click of nozzle {nozzle}, {} ms", ms(on)),
        BenchRequest::Prime { on } => format!("prime, {} ms a section", ms(on)),
        BenchRequest::Flush { on } => format!("flush, {} ms", ms(on)),
        BenchRequest::Rinse { on, off, times } => {
            format!("rinse, {times} times {} ms on, {} ms off", ms(on), ms(off))
        }
        BenchRequest::Hold => "hold".into(),
        BenchRequest::Release => "release".into(),
    }
}

/// Why a board started.
pub fn reset(cause: ResetCause) -> &'static str {
    match cause {
        ResetCause::PowerOn => "power came",
        ResetCause::LowVoltage => "the supply sagged",
        ResetCause::Pin => "its reset pin",
        ResetCause::Watchdog => "its watchdog was not fed: look into it before you go on",
        ResetCause::Firmware => "its firmware asked for it",
        _ => "its hardware does not tell",
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use controller_core::GuardState;
    use controller_core::link::message::guard_number;

    #[test]
    fn every_state_and_fault_has_its_word() {
        for (state, word) in [
            (GuardState::Running, "running"),
            (GuardState::EmergencyStop, "emergency"),
            (GuardState::SupplyLow, "supply"),
            (GuardState::Unacknowledged, "first"),
            (GuardState::Reversing, "back"),
            (GuardState::Bench, "bench"),
            (GuardState::PollSilent, "polled"),
            (GuardState::Stopped, "stands"),
            (GuardState::NeverMoved, "never"),
        ] {
            assert!(guard(guard_number(state)).contains(word), "{state:?}");
        }
        assert!(faults(0).is_empty());
        assert_eq!(
            faults(1 << 3 | 1 << 17),
            ["detector 3 is silent", "the supply is low"]
        );
        assert_eq!(faults(1 << 30).len(), 1);
    }
}
