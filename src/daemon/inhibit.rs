//! The first step of the restart inhibit, as soon as the daemon hears a starter: a run order that an earlier process left
//! there with the output off is taken back, so that whoever clears a fault at the panel does not start the motor by it. It
//! starts nothing and is the one thing written before a run; where the selector does not stand at remote, not even that.

use super::{Shared, locked, run};
use crate::rig::register_map::Role;
use crate::sequence::ports::{Event, Level, LinkState};
use std::sync::Arc;
use std::time::Duration;
use tokio_util::sync::CancellationToken;

/// Wall time between looks at starters that have not been heard yet.
const LOOK_EVERY: Duration = Duration::from_millis(100);

/// Look until every starter has been asked once, or a run begins (which asks them itself).
pub(super) async fn take_back_runs(shared: Arc<Shared>, cancel: CancellationToken) {
    let mut ticks = tokio::time::interval(LOOK_EVERY);
    ticks.set_missed_tick_behavior(tokio::time::MissedTickBehavior::Skip);
    let mut left: Vec<usize> = (0..shared.rig.starters.len()).collect();
    while !left.is_empty() && locked(&shared.run).is_none() {
        tokio::select! {
            () = cancel.cancelled() => return,
            _ = ticks.tick() => {}
        }
        for index in std::mem::take(&mut left) {
            let asking = Arc::clone(&shared);
            let asked = tokio::task::spawn_blocking(move || ask(&asking, index)).await.unwrap_or(true);
            if !asked {
                left.push(index);
            }
        }
    }
}

/// True when there is nothing more to ask of this starter.
fn ask(shared: &Shared, index: usize) -> bool {
    let mut port = shared.fieldbus.starter(index);
    let Some(status) = port.status().filter(|_| port.link() == LinkState::Up && at_remote(shared)) else {
        return false;
    };
    if status.remote == Some(false) || locked(&shared.run).as_ref().is_some_and(run::Active::is_on) {
        return false;
    }
    // So that every face can say from the beginning that a rig is virtual.
    if let Ok(identity) = port.identify() {
        locked(&shared.view).is_virtual = identity.is_virtual;
    }
    match port.clear_run() {
        Ok(None) => true,
        Ok(Some(command)) => {
            let text = format!(
                "{}: a run order of an earlier session is taken back ({})",
                shared.rig.starters[index].id, command.what
            );
            shared.tell(Event { at_s: shared.rig_clock.now_ns() as f64 * 1e-9, level: Level::Notice, text });
            true
        }
        Err(_) => false,
    }
}

/// The bench unit says remote, or the rig has no selector there.
fn at_remote(shared: &Shared) -> bool {
    let has_remote = shared.rig.transfer.as_ref().is_some_and(|unit| unit.map.field(Role::Remote).is_some());
    let says = |values: (u64, Vec<(Role, u16)>)| values.1.contains(&(Role::Remote, 1));
    !has_remote || shared.fieldbus.bench().and_then(|bench| bench.values()).is_some_and(says)
}
