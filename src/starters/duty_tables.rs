//! Published tables for general-purpose 60 Hz motors: allowed starts, least torques, largest locked-rotor current.
//!
//! They fill in what a nameplate does not say, and are a ceiling, not a permission: the maker's word goes first.
//! Rows also found in `tests/fixtures/check-values/07_motor_starters.toml` were seen in print; the others are from memory.

/// One mechanical horsepower, W.
const HORSEPOWER_W: f64 = 745.699_871_582_270_2;
/// One lb ft2, kg m2.
const POUND_FOOT2_KG_M2: f64 = 0.453_592_37 * 0.3048 * 0.3048;
/// A rating within this share of a table row is that row.
const SAME_RATING: f64 = 1e-6;

/// Allowed starts of a motor (Design A or B).
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct AllowedStarts {
    /// Most starts an hour whatever the load (column A).
    pub per_hour: f64,
    /// Starts an hour times load inertia, kg m2/h (column B).
    pub inertia_kg_m2_per_hour: f64,
    /// Least time off before a start, s (column C).
    pub rest_s: f64,
}

impl AllowedStarts {
    /// Starts an hour with a load of an inertia (kg m2, on the motor shaft, rotor not counted): the lesser of A and
    /// B over inertia.
    pub fn with_load_per_hour(&self, load_kg_m2: f64) -> f64 {
        if load_kg_m2 > 0.0 { self.per_hour.min(self.inertia_kg_m2_per_hour / load_kg_m2) } else { self.per_hour }
    }
}

/// (hp, A, B lb ft2/h, C s).
type StartRow = (f64, f64, f64, f64);

const STARTS_2_POLES: [StartRow; 16] = [
    (1.0, 15.0, 1.2, 75.0),
    (1.5, 12.9, 1.8, 76.0),
    (2.0, 11.5, 2.4, 77.0),
    (3.0, 9.9, 3.5, 80.0),
    (5.0, 8.1, 5.7, 83.0),
    (7.5, 7.0, 8.3, 88.0),
    (10.0, 6.2, 11.0, 92.0),
    (15.0, 5.4, 16.0, 100.0),
    (20.0, 4.8, 21.0, 110.0),
    (25.0, 4.4, 26.0, 115.0),
    (30.0, 4.1, 31.0, 120.0),
    (40.0, 3.7, 40.0, 130.0),
    (50.0, 3.4, 49.0, 145.0),
    (60.0, 3.2, 58.0, 170.0),
    (75.0, 2.9, 71.0, 180.0),
    (100.0, 2.6, 92.0, 220.0),
];

const STARTS_4_POLES: [StartRow; 16] = [
    (1.0, 30.0, 5.8, 38.0),
    (1.5, 25.7, 8.6, 38.0),
    (2.0, 23.0, 11.0, 39.0),
    (3.0, 19.8, 17.0, 40.0),
    (5.0, 16.3, 27.0, 42.0),
    (7.5, 13.9, 39.0, 44.0),
    (10.0, 12.5, 51.0, 46.0),
    (15.0, 10.7, 75.0, 50.0),
    (20.0, 9.6, 99.0, 55.0),
    (25.0, 8.8, 122.0, 58.0),
    (30.0, 8.2, 144.0, 60.0),
    (40.0, 7.4, 189.0, 65.0),
    (50.0, 6.8, 232.0, 72.0),
    (60.0, 6.3, 275.0, 85.0),
    (75.0, 5.8, 338.0, 90.0),
    (100.0, 5.2, 441.0, 110.0),
];

const STARTS_6_POLES: [StartRow; 16] = [
    (1.0, 34.0, 15.0, 33.0),
    (1.5, 29.1, 23.0, 34.0),
    (2.0, 26.1, 30.0, 35.0),
    (3.0, 22.4, 44.0, 36.0),
    (5.0, 18.4, 71.0, 37.0),
    (7.5, 15.8, 104.0, 39.0),
    (10.0, 14.2, 137.0, 41.0),
    (15.0, 12.1, 200.0, 44.0),
    (20.0, 10.9, 262.0, 48.0),
    (25.0, 10.0, 324.0, 51.0),
    (30.0, 9.3, 384.0, 53.0),
    (40.0, 8.4, 503.0, 57.0),
    (50.0, 7.7, 620.0, 64.0),
    (60.0, 7.2, 735.0, 75.0),
    (75.0, 6.6, 904.0, 79.0),
    (100.0, 5.9, 1181.0, 97.0),
];

/// Allowed starts of a motor of an output and pole count (2, 4 or 6), 1 to 100 hp; `None` outside.
///
/// Between two rows the stricter figure of the two is taken. Source: NEMA MG 10-2001, table 2-3.
pub fn allowed_starts(power_w: f64, poles: u32) -> Option<AllowedStarts> {
    let table = match poles {
        2 => &STARTS_2_POLES,
        4 => &STARTS_4_POLES,
        6 => &STARTS_6_POLES,
        _ => return None,
    };
    let (below, above) = rows_around(table, power_w / HORSEPOWER_W, |row| row.0)?;
    Some(AllowedStarts { per_hour: above.1, inertia_kg_m2_per_hour: below.2 * POUND_FOOT2_KG_M2, rest_s: above.3 })
}

/// The rows just below and above a rating; the same row twice when it is in the table.
fn rows_around<Row>(table: &[Row], rating: f64, rating_of: impl Fn(&Row) -> f64) -> Option<(&Row, &Row)> {
    let below = table.iter().rev().find(|row| rating_of(row) <= rating * (1.0 + SAME_RATING))?;
    let above = table.iter().find(|row| rating_of(row) >= rating * (1.0 - SAME_RATING))?;
    Some((below, above))
}

/// Least torques a Design B motor must give, multiples of full-load torque.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct LeastTorques {
    /// Locked rotor.
    pub locked_rotor: f64,
    /// Breakdown.
    pub breakdown: f64,
}

/// (hp, locked rotor % at 2 and 4 poles, breakdown % at 2 and 4 poles); 0: not in the table.
type TorqueRow = (f64, [f64; 2], [f64; 2]);

const TORQUES: [TorqueRow; 14] = [
    (1.0, [0.0, 275.0], [0.0, 300.0]),
    (1.5, [175.0, 250.0], [250.0, 280.0]),
    (2.0, [170.0, 235.0], [240.0, 270.0]),
    (3.0, [160.0, 215.0], [230.0, 250.0]),
    (5.0, [150.0, 185.0], [215.0, 225.0]),
    (7.5, [140.0, 175.0], [200.0, 215.0]),
    (10.0, [135.0, 165.0], [200.0, 200.0]),
    (15.0, [130.0, 160.0], [200.0, 200.0]),
    (20.0, [130.0, 150.0], [200.0, 200.0]),
    (25.0, [130.0, 150.0], [200.0, 200.0]),
    (30.0, [130.0, 150.0], [200.0, 200.0]),
    (40.0, [125.0, 140.0], [200.0, 200.0]),
    (50.0, [120.0, 140.0], [200.0, 200.0]),
    (60.0, [120.0, 140.0], [200.0, 200.0]),
];

/// Least locked-rotor and breakdown torque of a Design B, 60 Hz motor with 2 or 4 poles, 1 to 60 hp; `None` outside.
///
/// Between two rows the lower figure is taken. Source: NEMA MG 1, tables 12-2 and 12-3.
pub fn least_torques(power_w: f64, poles: u32) -> Option<LeastTorques> {
    let column = match poles {
        2 => 0,
        4 => 1,
        _ => return None,
    };
    let (_, above) = rows_around(&TORQUES, power_w / HORSEPOWER_W, |row| row.0)?;
    let (locked, breakdown) = (above.1[column], above.2[column]);
    (locked > 0.0).then_some(LeastTorques { locked_rotor: locked / 100.0, breakdown: breakdown / 100.0 })
}

/// (hp, A at 230 V).
const LOCKED_ROTOR_230_V: [(f64, f64); 16] = [
    (1.0, 30.0),
    (1.5, 40.0),
    (2.0, 50.0),
    (3.0, 64.0),
    (5.0, 92.0),
    (7.5, 127.0),
    (10.0, 162.0),
    (15.0, 232.0),
    (20.0, 290.0),
    (25.0, 365.0),
    (30.0, 435.0),
    (40.0, 580.0),
    (50.0, 725.0),
    (60.0, 870.0),
    (75.0, 1085.0),
    (100.0, 1450.0),
];

/// Largest locked-rotor current of a Design B, 60 Hz, three-phase motor at its rated voltage, A; 1 to 100 hp.
///
/// Inverse to rated voltage; between two rows the higher figure is taken. Source: NEMA MG 1, 12.35.1.
pub fn largest_locked_rotor_current_a(power_w: f64, voltage_v: f64) -> Option<f64> {
    let (_, above) = rows_around(&LOCKED_ROTOR_230_V, power_w / HORSEPOWER_W, |row| row.0)?;
    Some(above.1 * 230.0 / voltage_v)
}

#[cfg(test)]
#[allow(clippy::float_cmp, reason = "exact values are meant")]
mod tests {
    use super::*;

    #[test]
    fn law_between_rows_the_stricter_figures_are_taken() {
        let between = allowed_starts(6.0 * HORSEPOWER_W, 4).unwrap();
        let (low, high) =
            (allowed_starts(5.0 * HORSEPOWER_W, 4).unwrap(), allowed_starts(7.5 * HORSEPOWER_W, 4).unwrap());
        assert_eq!((between.per_hour, between.rest_s), (high.per_hour, high.rest_s));
        assert_eq!(between.inertia_kg_m2_per_hour, low.inertia_kg_m2_per_hour);
    }

    #[test]
    fn law_columns_run_one_way_with_the_rating() {
        for table in [&STARTS_2_POLES, &STARTS_4_POLES, &STARTS_6_POLES] {
            for pair in table.windows(2) {
                assert!(pair[1].1 < pair[0].1 && pair[1].2 > pair[0].2 && pair[1].3 >= pair[0].3, "{pair:?}");
            }
        }
    }

    #[test]
    fn rejects_ratings_outside_the_tables() {
        assert_eq!(allowed_starts(0.5 * HORSEPOWER_W, 4), None);
        assert_eq!(allowed_starts(150.0 * HORSEPOWER_W, 4), None);
        assert_eq!(allowed_starts(5.0 * HORSEPOWER_W, 8), None);
        assert_eq!(least_torques(1.0 * HORSEPOWER_W, 2), None);
        assert_eq!(largest_locked_rotor_current_a(f64::NAN, 230.0), None);
    }
}
