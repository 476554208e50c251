//! A published driving cycle, for drives with stops and ramps that nobody here chose.

/// The urban cycle as (time s, speed km/h), linear in between; 195 s, 1,014.583 m.
///
/// Source: UN Regulation No. 83, Annex 4a, Table 1 (elementary urban cycle, type I
/// test), Official Journal of the European Union L 42, 15.2.2012. The regulation
/// rounds its length to 1.013 km.
pub const URBAN_CYCLE: [(f64, f64); 26] = [
    (0.0, 0.0),
    (11.0, 0.0),
    (15.0, 15.0),
    (23.0, 15.0),
    (25.0, 10.0),
    (28.0, 0.0),
    (49.0, 0.0),
    (54.0, 15.0),
    (56.0, 15.0),
    (61.0, 32.0),
    (85.0, 32.0),
    (93.0, 10.0),
    (96.0, 0.0),
    (117.0, 0.0),
    (122.0, 15.0),
    (124.0, 15.0),
    (133.0, 35.0),
    (135.0, 35.0),
    (143.0, 50.0),
    (155.0, 50.0),
    (163.0, 35.0),
    (176.0, 35.0),
    (178.0, 32.0),
    (185.0, 10.0),
    (188.0, 0.0),
    (195.0, 0.0),
];

/// The cycle at `factor` of its speed, as (time s, speed m/s).
#[must_use]
pub fn urban_cycle(factor: f64) -> Vec<(f64, f64)> {
    URBAN_CYCLE
        .iter()
        .map(|&(t, km_h)| (t, km_h / 3.6 * factor))
        .collect()
}
