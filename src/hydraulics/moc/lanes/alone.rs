//! One scenario in a plant, by the same rules as in a lane.

use super::sample::{Meter, Metered, Probe, Recorder, read};
use super::{Scenario, Trace};
use crate::hydraulics::error::HydraulicsError;
use crate::hydraulics::plant::{Plant, ShaftDriver};

/// Run a scenario one at a time; what fails ends the trace and is in it.
pub(super) fn run(scenario: &Scenario, (probes, meters): (&[Probe], &[Meter]), times: (f64, f64)) -> Trace {
    let mut recorder = Recorder::new(probes, times);
    let failed = follow(scenario, meters, &mut recorder).err();
    Trace { alone: true, ..recorder.finish(failed) }
}

fn follow(scenario: &Scenario, meters: &[Meter], recorder: &mut Recorder) -> Result<(), HydraulicsError> {
    let (driver, grid) = ((scenario.driver)(), scenario.half_grid());
    let mut plant: Plant<Box<dyn ShaftDriver>> = match scenario.speed_rad_s {
        None => Plant::new(&scenario.network, &scenario.shaft, driver, &grid)?,
        Some(speed_rad_s) => Plant::started_at(&scenario.network, &scenario.shaft, driver, &grid, speed_rad_s)?,
    };
    let values = |plant: &Plant<Box<dyn ShaftDriver>>, recorder: &Recorder| -> Vec<f64> {
        recorder.probes().iter().map(|probe| read(plant, probe)).collect()
    };
    let mut now = values(&plant, recorder);
    let mut metered = Metered::at_rest(meters, plant.dt_s(), &now);
    recorder.start(&now);
    let mut steps = 0_u64;
    while !recorder.is_complete(plant.time_s()) {
        let next_s = (steps + 1) as f64 * plant.dt_s();
        for law in &scenario.openings {
            if let Some(opening) = law.moved(plant.time_s(), next_s) {
                plant.set_opening(law.element, opening)?;
            }
        }
        recorder.before(plant.time_s(), &now);
        plant.advance()?;
        steps += 1;
        plant.take_events().into_iter().for_each(|event| recorder.note(event.time_s, event.kind));
        now = values(&plant, recorder);
        metered.show(&mut now);
        recorder.after(plant.time_s(), &now);
    }
    Ok(())
}
