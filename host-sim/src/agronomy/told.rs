//! Litres in words.

use std::fmt::Write as _;

use super::{Agronomy, Interval};

impl Agronomy {
    /// What is saved against a broadcast pass over so large a part of the ground as plants were hit.
    /// Where that pass takes less, times its litres say more than percents below 0.
    fn at_equal_share(&self) -> String {
        let Some(saving) = &self.saving_at_equal_share else {
            return match self.full + self.partial + self.missed {
                0 => String::new(),
                _ => format!(
                    "; too few plants hit ({}) to say what an equal share of them would take",
                    self.full
                ),
            };
        };
        if saving.value < 0.0 {
            let times = |saving: f64| 1.0 - saving;
            return format!(
                "; spraying all of so large a part as plants were hit takes less: this is {:.1} times as much (95 % interval {:.1} to {:.1})",
                times(saving.value),
                times(saving.high),
                times(saving.low)
            );
        }
        format!(
            "; at an equal share of plants {:.1} % (95 % interval {} to {:.1})",
            100.0 * saving.value,
            if saving.low < 0.0 {
                "nothing".to_owned()
            } else {
                format!("{:.1}", 100.0 * saving.low)
            },
            100.0 * saving.high
        )
    }

    /// The lines that a person reads, each as long as it needs.
    #[must_use]
    pub fn lines(&self) -> String {
        let mut out = String::new();
        let percent = |i: &Interval| {
            format!(
                "{:.1} % (95 % interval {:.1} to {:.1})",
                100.0 * i.value,
                100.0 * i.low,
                100.0 * i.high
            )
        };
        // Writing to a String cannot fail, so the results say nothing.
        let _ = write!(
            out,
            "by litres: {} plants with {:.2} of {:.1} L/ha everywhere, {} in part, {} missed",
            self.full, self.wanted_share, self.wanted_l_ha, self.partial, self.missed
        );
        if let Some(least) = self.least_l_ha {
            let _ = write!(out, "; smallest dose {least:.1} L/ha");
        }
        if let Some(share) = &self.hit_share {
            let _ = write!(out, "\nplants hit {}", percent(share));
        }
        let _ = write!(
            out,
            "\n{:.3} L instead of {:.3} L broadcast, saving {:.1} %",
            self.litres,
            self.broadcast_l,
            100.0 * self.saving
        );
        out.push_str(&self.at_equal_share());
        let _ = write!(
            out,
            "\nmean over the field {:.1} L/ha{}; {:.2} % of the ground over 1.5 times the rate",
            self.mean_l_ha,
            (self.label_max_l_ha).map_or(String::new(), |most| format!(
                " of {most:.1} allowed by the label"
            )),
            self.over_percent
        );
        let _ = write!(
            out,
            "\nvalves: {} cycles, {} of the busiest; {:.1} s with current",
            self.valve_cycles, self.valve_cycles_most, self.on_time_s
        );
        if let Some(duty) = self.duty_percent {
            let _ = write!(out, ", {duty:.1} % of the open time");
        }
        if let (Some(mean), Some(lowest)) = (self.mean_kpa, self.lowest_kpa) {
            let _ = write!(out, "; {mean:.0} kPa on average, {lowest:.0} at the lowest");
        }
        if let Some(cv) = self.broadcast_cv_percent {
            let _ = write!(out, "\na broadcast pass varies by {cv:.1} % across");
        }
        out.push('\n');
        out
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn an_equal_share_is_told_so_that_it_can_be_read() {
        let told = |full: usize, saving: Option<(f64, f64, f64)>| {
            let drive = Agronomy {
                cell_mm: 10.0,
                wanted_l_ha: 100.0,
                wanted_share: 0.9,
                full,
                partial: 0,
                missed: 20,
                hit_share: None,
                least_l_ha: None,
                over_percent: 0.0,
                mean_l_ha: 5.0,
                label_max_l_ha: None,
                litres: 1.0,
                broadcast_l: 20.0,
                saving: 0.95,
                saving_at_equal_share: saving.map(|(low, value, high)| Interval {
                    value,
                    low,
                    high,
                }),
                valve_cycles: 0,
                valve_cycles_most: 0,
                on_time_s: 0.0,
                duty_percent: None,
                mean_kpa: None,
                lowest_kpa: None,
                broadcast_cv_percent: None,
            };
            drive.lines()
        };
        for (full, saving, words) in [
            (
                900,
                Some((0.93, 0.94, 0.95)),
                "equal share of plants 94.0 % (95 % interval 93.0 to 95.0)",
            ),
            (
                12,
                Some((-0.2, 0.1, 0.4)),
                "10.0 % (95 % interval nothing to 40.0)",
            ),
            (
                12,
                Some((-3.0, -1.5, -0.8)),
                "takes less: this is 2.5 times as much (95 % interval 1.8 to 4.0)",
            ),
            (3, None, "too few plants hit (3)"),
        ] {
            let lines = told(full, saving);
            assert!(lines.contains(words), "{lines}");
            assert!(!lines.contains(" -"), "{lines}");
        }
    }
}
