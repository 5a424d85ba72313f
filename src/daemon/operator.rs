//! The executor's view of people: questions go to the faces, orders come back through a bounded channel.

use crate::sequence::ports::{Operator, OperatorOrder, Progress};
use crossbeam_channel::{Receiver, Sender, bounded};
use std::sync::{Arc, Mutex, PoisonError};

/// Orders waiting for the executor; it takes them every few milliseconds.
const ORDERS_KEPT: usize = 64;

/// What people see of the run.
#[derive(Debug, Clone, Default)]
pub(super) struct Board {
    pub question: Option<(u32, String)>,
    /// The question is for those who watch.
    pub for_audience: bool,
    /// The latest question to those who watch.
    pub asked: Option<String>,
    pub said: Option<String>,
    pub progress: Option<Progress>,
    /// Stop orders, and what became of the face, that the executor has not taken yet: they never wait behind anything and are
    /// never refused.
    stops: Vec<OperatorOrder>,
}

/// The executor's end.
pub(super) struct DeskOperator {
    board: Arc<Mutex<Board>>,
    orders: Receiver<OperatorOrder>,
    changed: Box<dyn Fn() + Send>,
}

/// The daemon's end.
#[derive(Clone)]
pub(super) struct Desk {
    board: Arc<Mutex<Board>>,
    orders: Sender<OperatorOrder>,
}

/// Make both ends; `changed` is called when the board changed.
pub(super) fn desk(changed: impl Fn() + Send + 'static) -> (Desk, DeskOperator) {
    let board = Arc::new(Mutex::new(Board::default()));
    let (sender, receiver) = bounded(ORDERS_KEPT);
    let operator = DeskOperator { board: Arc::clone(&board), orders: receiver, changed: Box::new(changed) };
    (Desk { board, orders: sender }, operator)
}

impl Desk {
    /// Hand an order to the executor; `false` when it is gone or 64 orders wait already. A stop is always taken: one of a kind is
    /// kept until the executor looks.
    pub fn order(&self, order: OperatorOrder) -> bool {
        use OperatorOrder::{Confirm, Note, Skip};
        if matches!(order, Confirm { .. } | Skip { .. } | Note { .. }) {
            return self.orders.try_send(order).is_ok();
        }
        let stops = &mut self.board.lock().unwrap_or_else(PoisonError::into_inner).stops;
        if matches!(order, OperatorOrder::Face { .. }) {
            // What is true now, in place of what was.
            stops.retain(|other| !matches!(other, OperatorOrder::Face { .. }));
        }
        let known = |other: &OperatorOrder| std::mem::discriminant(other) == std::mem::discriminant(&order);
        if !stops.iter().any(known) {
            stops.push(order);
        }
        true
    }

    /// The board now.
    pub fn board(&self) -> Board {
        self.board.lock().unwrap_or_else(PoisonError::into_inner).clone()
    }

    /// Take the question off once it is answered; `false` when no such question waits.
    pub fn answered(&self, id: u32) -> bool {
        let mut board = self.board.lock().unwrap_or_else(PoisonError::into_inner);
        let waits = board.question.as_ref().is_some_and(|(waiting, _)| *waiting == id);
        if waits {
            board.question = None;
        }
        waits
    }
}

impl DeskOperator {
    fn change(&self, edit: impl FnOnce(&mut Board)) {
        edit(&mut self.board.lock().unwrap_or_else(PoisonError::into_inner));
        (self.changed)();
    }
}

impl Operator for DeskOperator {
    fn ask(&mut self, id: u32, text: &str) {
        self.change(|board| {
            board.question = Some((id, text.to_owned()));
            board.for_audience = false;
        });
    }

    fn wonder(&mut self, id: u32, text: &str) {
        self.change(|board| {
            board.question = Some((id, text.to_owned()));
            board.for_audience = true;
            board.asked = Some(text.to_owned());
        });
    }

    fn say(&mut self, text: &str) {
        self.change(|board| board.said = Some(text.to_owned()));
    }

    fn progress(&mut self, progress: &Progress) {
        self.change(|board| {
            // A question that was passed over waits for nobody.
            let moved_on = board.progress.as_ref().is_some_and(|was| was.step_number != progress.step_number);
            if moved_on && board.for_audience && progress.step != "ask" {
                board.question = None;
            }
            board.progress = Some(progress.clone());
        });
    }

    fn take_orders(&mut self) -> Vec<OperatorOrder> {
        let stops = std::mem::take(&mut self.board.lock().unwrap_or_else(PoisonError::into_inner).stops);
        stops.into_iter().chain(self.orders.try_iter()).collect()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn takes_a_stop_however_many_orders_wait() {
        let (desk, mut operator) = desk(|| ());
        let confirm = |id| OperatorOrder::Confirm { id, by: "A. Tester".to_owned() };
        let taken = (0..100).filter(|id| desk.order(confirm(*id))).count();
        assert_eq!(taken, ORDERS_KEPT, "the queue is bounded");
        let stop = OperatorOrder::Stop { by: "A. Tester".to_owned() };
        for order in [stop.clone(), stop.clone(), OperatorOrder::Hurry] {
            assert!(desk.order(order), "a stop is never refused");
        }
        let orders = operator.take_orders();
        assert_eq!(orders[..2], [stop, OperatorOrder::Hurry], "ahead of what waits, one of a kind");
        assert_eq!((orders.len(), operator.take_orders().len()), (2 + ORDERS_KEPT, 0));
    }
}
