//! The catch test: what each nozzle gives in a measured time.
//!
//! Flow goes with the root of pressure, so all are brought to one pressure before they are
//! compared. A nozzle that gives 10 % more or less than a new one, or than the mean of all, is to
//! be cleaned or replaced: University of Florida IFAS, "Sprayer calibration"
//! (plants.ifas.ufl.edu, management of aquatic plants), and the Florida applicator's manual, p. 213.

use std::collections::BTreeMap;
use std::io::Read;

use crate::table::Table;
use crate::{Estimate, Moments, Refusal};

/// Farthest from the flow of a new nozzle, and from the mean, that still passes.
pub const TOLERANCE: f64 = 0.10;

/// One catch.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Catch {
    /// Its line in the file, from 1.
    pub line: usize,
    /// Nozzle from the left, from 0.
    pub nozzle: usize,
    /// What was caught.
    pub ml: f64,
    /// In how long.
    pub seconds: f64,
    /// Pressure at the nozzles while it was caught, where it was written down, kPa.
    pub pressure_kpa: Option<f64>,
}

/// Reads catches: `nozzle,ml,seconds`, and `pressure_kpa`.
///
/// # Errors
/// What is missing or cannot be, by line.
pub fn read(from: impl Read) -> Result<Vec<Catch>, Refusal> {
    let table = Table::read(from, &["nozzle", "ml", "seconds"], &["pressure_kpa"])?;
    table
        .rows()
        .map(|row| {
            Ok(Catch {
                line: row.line(),
                nozzle: row.count("nozzle", 191)?,
                ml: row.needed("ml", 0.0, 1e6)?,
                seconds: row.needed("seconds", 0.5, 36_000.0)?,
                pressure_kpa: row.number("pressure_kpa", 10.0, 2000.0)?,
            })
        })
        .collect()
}

/// What to do with a nozzle.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Verdict {
    /// It passes.
    Good,
    /// It gives too little: clean it and its strainer, and replace it if that does not help.
    Clean,
    /// It gives too much: it is worn, or of another size.
    Replace,
    /// Nothing came.
    Dry,
}

/// One nozzle.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Flow {
    /// Which, from 0.
    pub nozzle: usize,
    /// Its flow at the test's pressure, L/min.
    pub flow: Estimate,
    /// Over that of a new one, less 1; none where the size is not known.
    pub off_nominal: Option<f64>,
    /// Over the mean of all, less 1.
    pub off_mean: f64,
    /// What to do with it.
    pub verdict: Verdict,
    /// Its interval reaches over the limit that it passes or fails: catch again.
    pub unsure: bool,
}

/// The whole boom.
#[derive(Debug, Clone, PartialEq)]
pub struct Boom {
    /// Each nozzle that was caught.
    pub nozzles: Vec<Flow>,
    /// Pressure to which all was brought, kPa; none where none was told.
    pub pressure_kpa: Option<f64>,
    /// Flow of a new nozzle at that pressure, L/min.
    pub nominal_l_min: Option<f64>,
    /// Mean of the nozzles, L/min; its interval is that of the mean of such nozzles.
    pub mean: Estimate,
    /// Standard deviation of the nozzles over their mean.
    pub variation: f64,
}

/// Works out each nozzle's flow.
///
/// `pressure_kpa` is the pressure of catches without their own; `nominal` a new nozzle's flow in
/// L/min at a pressure in kPa.
///
/// # Errors
/// Fewer than two nozzles, none that gave anything, or a pressure that is told for some only.
pub fn boom(
    catches: &[Catch],
    pressure_kpa: Option<f64>,
    nominal: Option<&dyn Fn(f64) -> Option<f64>>,
) -> Result<Boom, Refusal> {
    let told: Vec<Option<f64>> = catches
        .iter()
        .map(|c| c.pressure_kpa.or(pressure_kpa))
        .collect();
    if told.iter().any(Option::is_some)
        && let Some(missing) = catches.iter().zip(&told).find(|(_, t)| t.is_none())
    {
        return Err(Refusal::at(
            missing.0.line,
            "`pressure_kpa` is empty, though other lines tell it",
            "write it down for every catch, or give one pressure for all",
        ));
    }
    let pressures: Moments = told.iter().flatten().copied().collect();
    let pressure = (pressures.n() > 0).then(|| pressures.average());
    let mut by_nozzle: BTreeMap<usize, Moments> = BTreeMap::new();
    for (catch, told) in catches.iter().zip(&told) {
        let l_min = catch.ml / 1000.0 / (catch.seconds / 60.0);
        let to_one = match (told, pressure) {
            (Some(told), Some(all)) => (all / told).sqrt(),
            _ => 1.0,
        };
        by_nozzle
            .entry(catch.nozzle)
            .or_default()
            .push(l_min * to_one);
    }
    if by_nozzle.len() < 2 {
        return Err(Refusal::whole(
            "the table tells of one nozzle only, so there is no mean to compare it with",
            "catch at least two nozzles, best all of them",
        ));
    }
    let all: Moments = by_nozzle.values().map(Moments::average).collect();
    let mean = all.average();
    if mean <= 0.0 {
        return Err(Refusal::whole(
            "no nozzle gave anything",
            "open the nozzles and catch again",
        ));
    }
    let nominal_l_min = match (nominal, pressure) {
        (Some(of), Some(kpa)) => of(kpa),
        _ => None,
    };
    let flow = |l_min: f64| Estimate {
        value: l_min,
        half_width: f64::INFINITY,
        unit: "L/min",
        n: 1,
    };
    let nozzles = by_nozzle
        .iter()
        .map(|(&nozzle, caught)| {
            let flow = caught.mean("L/min").unwrap_or(flow(caught.average()));
            judge(nozzle, flow, mean, nominal_l_min)
        })
        .collect();
    Ok(Boom {
        nozzles,
        pressure_kpa: pressure,
        nominal_l_min,
        mean: all.mean("L/min").unwrap_or(flow(mean)),
        variation: all.sd().unwrap_or(0.0) / mean,
    })
}

fn judge(nozzle: usize, flow: Estimate, mean: f64, nominal: Option<f64>) -> Flow {
    let off_mean = flow.value / mean - 1.0;
    let off_nominal = nominal.map(|n| flow.value / n - 1.0);
    let offs = || [Some(off_mean), off_nominal].into_iter().flatten();
    // 10.0 % passes however it was rounded.
    let limit = TOLERANCE + 1e-9;
    let verdict = if flow.value <= 0.0 {
        Verdict::Dry
    } else if offs().any(|off| off > limit) {
        Verdict::Replace
    } else if offs().any(|off| off < -limit) {
        Verdict::Clean
    } else {
        Verdict::Good
    };
    let half = flow.half_width;
    let unsure = half.is_finite()
        && [Some(mean), nominal].into_iter().flatten().any(|of| {
            [1.0 - TOLERANCE, 1.0 + TOLERANCE]
                .iter()
                .any(|limit| (flow.value - limit * of).abs() < half)
        });
    Flow {
        nozzle,
        flow,
        off_nominal,
        off_mean,
        verdict,
        unsure,
    }
}

#[cfg(test)]
mod tests {
    use ground_truth::nozzle::{L_HA_PER_GPA, flow_l_min, rate_l_ha};

    use super::*;

    fn catch(nozzle: usize, ml: f64, seconds: f64) -> Catch {
        Catch {
            line: nozzle + 2,
            nozzle,
            ml,
            seconds,
            pressure_kpa: None,
        }
    }

    // R. N. Barbosa, R. Koske, D. Parish (LSU AgCenter), "Ounces equal gallons": drive 340 ft² a
    // nozzle, and the ounces caught in that time are the gallons an acre. 40 inch rows: 102 ft in
    // 17 s, 14 oz from the nozzles of a row: 14 gal/acre. Larimer County's example: 18.5 ft by
    // 18.5 ft in 51 s, 40 oz: 40 gal/acre.
    #[test]
    fn ounces_of_a_128th_acre_are_gallons_an_acre() {
        let (foot, inch, ounce_ml) = (0.3048, 0.0254, 29.573_529_562_5);
        for (width_m, length_ft, seconds, ounces, within) in [
            (40.0 * inch, 102.0, 17.0, 14.0, 0.002),
            (18.5 * foot, 18.5, 51.0, 40.0, 0.006),
        ] {
            let caught = [
                catch(0, ounces * ounce_ml, seconds),
                catch(1, ounces * ounce_ml, seconds),
            ];
            let boom = boom(&caught, None, None).expect("two");
            let speed = length_ft * foot / seconds;
            let gpa = rate_l_ha(boom.mean.value, width_m, speed) / L_HA_PER_GPA;
            assert!((gpa / ounces - 1.0).abs() < within, "{gpa} for {ounces} oz");
        }
        // The exact area: 43,560 ft² / 128.
        let length_m = 43_560.0 / 128.0 * 12.0 / 20.0 * foot;
        let two = [
            catch(0, 20.0 * ounce_ml, 30.0),
            catch(1, 20.0 * ounce_ml, 30.0),
        ];
        let boom = boom(&two, None, None).expect("two");
        let gpa = rate_l_ha(boom.mean.value, 20.0 * inch, length_m / 30.0) / L_HA_PER_GPA;
        assert!((gpa - 20.0).abs() < 1e-9, "{gpa}");
    }

    /// By hand: size 02 gives 0.8 L/min at 300 kPa and 0.8·√(200/300) = 0.653 at 200. 327 ml in
    /// 30 s are 0.654 L/min; 392 ml are 20 % more, 261 ml 20 % less. The mean of the six is 0.654.
    #[test]
    fn worn_and_blocked_nozzles_are_told_apart() {
        let caught = [327.0, 392.4, 261.6, 327.0, 327.0, 327.0];
        let caught: Vec<_> = caught
            .iter()
            .enumerate()
            .map(|(i, &ml)| catch(i, ml, 30.0))
            .collect();
        let nominal = |kpa: f64| flow_l_min("02", kpa * 1e3).ok().flatten();
        let boom = boom(&caught, Some(200.0), Some(&nominal)).expect("six");
        let verdicts: Vec<_> = boom.nozzles.iter().map(|n| n.verdict).collect();
        assert_eq!(
            verdicts[..3],
            [Verdict::Good, Verdict::Replace, Verdict::Clean]
        );
        assert!((boom.nozzles[1].off_mean - 0.2).abs() < 1e-9);
        assert!((boom.nominal_l_min.expect("a size") - 0.653_197).abs() < 1e-6);
        assert!(boom.nozzles[0].off_nominal.expect("a size").abs() < 0.002);
    }

    /// All of them worn alike: the mean alone would pass them.
    #[test]
    fn a_boom_that_is_worn_as_a_whole_fails_against_new_ones() {
        let caught: Vec<_> = (0..4).map(|i| catch(i, 460.0, 30.0)).collect();
        let nominal = |kpa: f64| flow_l_min("02", kpa * 1e3).ok().flatten();
        let boom = boom(&caught, Some(300.0), Some(&nominal)).expect("four");
        assert!(boom.nozzles.iter().all(|n| n.verdict == Verdict::Replace));
        assert!(boom.nozzles.iter().all(|n| n.off_mean.abs() < 1e-12));
    }

    /// The same nozzle at four times the pressure gives twice as much, and is the same nozzle.
    #[test]
    fn pressures_are_brought_to_one() {
        let mut caught = [catch(0, 400.0, 60.0), catch(1, 800.0, 60.0)];
        caught[0].pressure_kpa = Some(100.0);
        caught[1].pressure_kpa = Some(400.0);
        let boom = boom(&caught, None, None).expect("two");
        assert!((boom.nozzles[0].flow.value - boom.nozzles[1].flow.value).abs() < 1e-12);
        assert_eq!(boom.pressure_kpa, Some(250.0));
    }

    #[test]
    fn catches_that_cannot_be_are_refused() {
        for (text, word) in [
            ("nozzle,ml,seconds\n0,-5,30\n", "below 0"),
            ("nozzle,ml\n0,5\n", "`seconds` is missing"),
            ("nozzle,ml,seconds\n0,5,0\n", "seconds"),
            ("nozzle,ml,seconds\n0,5,inf\n", "seconds"),
        ] {
            let refusal = read(text.as_bytes()).expect_err(word);
            assert!(refusal.to_string().contains(word), "{refusal}");
        }
        let one = boom(&[catch(0, 5.0, 30.0)], None, None).expect_err("one");
        assert!(one.what.contains("one nozzle"));
        let dry = boom(&[catch(0, 0.0, 30.0), catch(1, 0.0, 30.0)], None, None);
        assert!(dry.is_err());
        let mut some = [catch(0, 5.0, 30.0), catch(1, 5.0, 30.0)];
        some[0].pressure_kpa = Some(300.0);
        assert_eq!(
            boom(&some, None, None).expect_err("one lacks it").line,
            Some(3)
        );
        some[1].ml = 0.0;
        let dry = boom(&some, Some(300.0), None).expect("one gives");
        assert_eq!(dry.nozzles[1].verdict, Verdict::Dry);
    }

    #[test]
    fn repeated_catches_tell_how_sure_a_verdict_is() {
        let caught = [
            catch(0, 440.0, 30.0),
            catch(0, 400.0, 30.0),
            catch(1, 400.0, 30.0),
            catch(1, 401.0, 30.0),
        ];
        let boom = boom(&caught, None, None).expect("two");
        assert!(boom.nozzles[0].unsure && !boom.nozzles[1].unsure);
    }
}
