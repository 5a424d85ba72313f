//! The record and the person of the mock bench.

use super::{Bench, World};
use ramprig::prediction::Prediction;
use ramprig::sequence::marks::Mark;
use ramprig::sequence::ports::*;
use std::sync::MutexGuard;

pub struct Book(pub Bench);

impl Book {
    fn write(&self, what: &str, line: String) -> Result<MutexGuard<'_, World>, JournalError> {
        let mut world = self.0.lock();
        if world.journal_fails == Some(what) {
            return Err(JournalError("/run.partial: no space left".into()));
        }
        world.note(line);
        Ok(world)
    }
}

impl Journal for Book {
    fn header(&mut self, header: &RunHeader) -> Result<(), JournalError> {
        self.write("header", "journal header".into())?.header = Some(header.clone());
        Ok(())
    }

    fn prediction(&mut self, _: &Prediction) -> Result<(), JournalError> {
        self.write("prediction", "journal prediction".into()).map(drop)
    }

    fn mark(&mut self, mark: &Mark) -> Result<(), JournalError> {
        self.write("mark", format!("mark {:?}", mark.kind))?.marks.push(mark.clone());
        Ok(())
    }

    fn event(&mut self, event: &Event) -> Result<(), JournalError> {
        self.write("event", format!("event {:?} {}", event.level, event.text)).map(drop)
    }

    fn command(&mut self, _: f64, record: &CommandRecord) -> Result<(), JournalError> {
        self.write("command", format!("recorded {}", record.what)).map(drop)
    }

    fn slow(&mut self, _: f64, _: &StatusReading) -> Result<(), JournalError> {
        self.0.lock().slow += 1;
        Ok(())
    }

    fn settings(&mut self, record: &SettingsRecord) -> Result<(), JournalError> {
        self.0.lock().settings.push(record.clone());
        Ok(())
    }

    fn link(&mut self, _: f64, figures: &LinkStatistics) -> Result<(), JournalError> {
        self.write("link", format!("link {}", figures.link)).map(drop)
    }

    fn stop_outcome(&mut self, cycle: u32, outcome: StopOutcome) -> Result<(), JournalError> {
        self.write("outcome", format!("outcome {cycle} {outcome}"))?.outcomes.push((cycle, outcome));
        Ok(())
    }
}

pub struct Person(pub Bench);

impl Operator for Person {
    fn ask(&mut self, id: u32, text: &str) {
        let mut world = self.0.lock();
        world.note(format!("ask {text}"));
        if world.answers {
            world.orders.push(OperatorOrder::Confirm { id, by: "B. Tester".into() });
        }
    }

    fn say(&mut self, text: &str) {
        self.0.lock().note(format!("say {text}"));
    }

    fn progress(&mut self, progress: &Progress) {
        let mut world = self.0.lock();
        world.step.clone_from(&progress.step);
        world.cycle = progress.cycle;
    }

    fn take_orders(&mut self) -> Vec<OperatorOrder> {
        std::mem::take(&mut self.0.lock().orders)
    }
}
