//! The loop between a real terminal and the service. A stop goes from the thread that reads the keys to a task of its own, so
//! that it waits neither for a drawing nor for another order.

use super::desk::{Desk, Shown};
use super::keys::{Key, meaning};
use super::look::Look;
use super::picture::Picture;
use super::screen::draw;
use super::words::pressure;
use crate::api::lead::{Lead, Measured, Order};
use crate::api::stage::{Grant, RigView};
use crate::api::{RunRequest, ServiceError, Update};
use crate::clock::WallClock;
use crate::sequence::marks::Phase;
use crate::sequence::script;
use crate::units::display::System;
use crossterm::event::{Event, KeyCode, KeyEventKind, KeyModifiers};
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};
use std::time::Duration;
use tokio::sync::mpsc;
use tokio::task::JoinSet;

/// Redraw at most this often, and at least this often.
const FRAME: Duration = Duration::from_millis(50);
/// Wait before asking a lost daemon again.
const RETRY: Duration = Duration::from_millis(500);
/// Begin of the words about a stop that was not sent.
const NOT_SENT: &str = "STOP NOT SENT";
/// Sign of life of whoever holds the controls.
const KEEP_EVERY: Duration = Duration::from_secs(4);
/// Key presses queued, and stops among them.
const KEYS_KEPT: usize = 32;
/// What came of a key is shown for so long, unless something did not go through.
const NOTICE_NS: u64 = 12_000_000_000;
/// Longest guess typed.
const TYPED_MOST: usize = 10;

/// Why the terminal face ended badly.
#[derive(Debug, thiserror::Error)]
pub enum TuiError {
    /// The terminal.
    #[error("terminal: {0}")]
    Terminal(#[from] std::io::Error),
    /// The service.
    #[error(transparent)]
    Service(#[from] ServiceError),
}

/// Restores the terminal however the screen is left.
struct Screen(ratatui::DefaultTerminal);

impl Drop for Screen {
    fn drop(&mut self) {
        // After a panic its hook has done so before the panic's own words: once more would put the cursor back over them.
        if !std::thread::panicking() {
            ratatui::restore();
        }
    }
}

/// Ends the thread that reads the keys, however the screen is left.
struct Listening(Arc<AtomicBool>);

impl Drop for Listening {
    fn drop(&mut self) {
        self.0.store(false, Ordering::Relaxed);
    }
}

/// Who watches, and how it is shown.
pub struct Watching {
    /// Who; nobody without a name leads.
    pub name: Option<String>,
    /// Units at first.
    pub system: System,
    /// What the terminal can show.
    pub look: Look,
    /// Wall clock.
    pub clock: Arc<dyn WallClock>,
}

/// What came of something asked.
enum Answer {
    Said(String),
    Rig(RigView),
    Measured(Measured),
    Held(Grant),
    Given(String),
    Started(u32),
}

/// A key as it was pressed.
type Pressed = (KeyCode, KeyModifiers);

/// What the terminal asks for itself; none of it waits for another.
type Asked = JoinSet<Option<Answer>>;

/// Everything of a screen that is on.
struct Face {
    service: Arc<dyn Lead>,
    watching: Watching,
    /// A name of its own making, which a run that is started here hangs on.
    name: String,
    picture: Picture,
    desk: Desk,
    asked: Asked,
    kept_ns: u64,
    /// What came of the latest key, and since when it is shown, wall ns.
    noticed: Option<(String, u64)>,
    /// What the measured cycles were last asked for.
    measured_at: Option<(u32, Phase, u32, bool)>,
}

/// Show the rig until the person leaves. Leaving does not stop the plant.
///
/// # Errors
/// The terminal or the daemon refuses at the beginning, or the terminal is lost.
pub async fn watch(service: Arc<dyn Lead>, watching: Watching) -> Result<(), TuiError> {
    let name = format!("watch {}", hex::encode(rand::random::<[u8; 8]>()));
    let mut updates = service.subscribe_as(name.clone()).await?;
    let mut screen = Screen(ratatui::try_init()?);
    let (mut keys, stops, _listening) = key_presses()?;
    let (said, mut stop_answers) = mpsc::channel(KEYS_KEPT);
    let mut stopper = JoinSet::new();
    stopper.spawn(stop_by_key(Arc::clone(&service), watching.name.clone(), stops, said));
    let desk = Desk::of(watching.name.clone(), watching.system);
    let picture = Picture::default();
    let mut face = Face {
        service,
        watching,
        name,
        picture,
        desk,
        asked: JoinSet::new(),
        kept_ns: 0,
        noticed: None,
        measured_at: None,
    };
    face.ask_rig();
    let mut ticks = tokio::time::interval(FRAME);
    ticks.set_missed_tick_behavior(tokio::time::MissedTickBehavior::Skip);
    loop {
        tokio::select! {
            update = updates.recv() => match update {
                Some(update) => face.take(update),
                None => updates = face.reconnect().await,
            },
            key = keys.recv() => match key {
                None => break,
                Some((code, modifiers)) => {
                    let key = meaning(code, modifiers, face.desk.typed.is_some());
                    if key.is_some_and(|key| face.press(key)) {
                        break;
                    }
                }
            },
            Some(text) = stop_answers.recv() => face.desk.notice = Some(text),
            Some(answer) = face.asked.join_next(), if !face.asked.is_empty() => {
                if let Ok(Some(answer)) = answer {
                    face.answered(answer);
                }
            }
            _ = ticks.tick() => {
                face.tick();
                screen.0.draw(|frame| draw(&face.picture, &face.desk, face.watching.look, frame))?;
            }
        }
    }
    face.leave().await;
    Ok(())
}

/// Every press is an order of its own: the second one hurries the first.
async fn stop_by_key(
    service: Arc<dyn Lead>,
    name: Option<String>,
    mut stops: mpsc::Receiver<()>,
    said: mpsc::Sender<String>,
) {
    let mut sent = JoinSet::new();
    loop {
        let (service, by) = (Arc::clone(&service), name.clone().unwrap_or_else(|| "watch".to_owned()));
        tokio::select! {
            pressed = stops.recv() => match pressed {
                Some(()) => {
                    sent.spawn(async move { stop(service.as_ref(), by).await });
                    // A full queue has words enough in it.
                    let _ = said.try_send("stop ordered".to_owned());
                }
                None => return,
            },
            Some(Ok(text)) = sent.join_next(), if !sent.is_empty() => {
                if said.send(text).await.is_err() {
                    return;
                }
            }
        }
    }
}

async fn stop(service: &dyn Lead, by: String) -> String {
    match service.stop(by).await {
        Ok(report) => report.text,
        Err(error) => format!("{NOT_SENT}: {error}. Use the emergency stop."),
    }
}

impl Face {
    fn now_ns(&self) -> u64 {
        self.watching.clock.now_ns()
    }

    fn take(&mut self, update: Update) {
        let number = |face: &Self| {
            face.picture.snapshot.as_ref().and_then(|snapshot| snapshot.run.as_ref().map(|run| run.number))
        };
        let (before, first) = (number(self), self.picture.snapshot.is_none());
        self.picture.apply(update);
        let (now, now_ns) = (number(self), self.now_ns());
        let is_on = self.picture.is_busy();
        if is_on && (first || now != before) && self.desk.shown != Shown::Log {
            self.desk.show(Shown::Run);
        }
        self.desk.look(&self.picture, now_ns);
        self.ask_measured();
    }

    /// What came of an old key says nothing of what is on now.
    fn fade(&mut self, now_ns: u64) {
        match (&self.desk.notice, &self.noticed) {
            (Some(now), Some((shown, since_ns))) if now == shown => {
                if now_ns.saturating_sub(*since_ns) > NOTICE_NS && !now.starts_with(NOT_SENT) {
                    (self.desk.notice, self.desk.warned) = (None, false);
                }
            }
            (Some(now), _) => self.noticed = Some((now.clone(), now_ns)),
            (None, _) => self.noticed = None,
        }
    }

    fn tick(&mut self) {
        let now_ns = self.now_ns();
        self.fade(now_ns);
        let due = now_ns.saturating_sub(self.kept_ns) >= u64::try_from(KEEP_EVERY.as_nanos()).unwrap_or(u64::MAX);
        if let Some(held) = self.desk.held.as_ref().filter(|_| due) {
            let (service, key) = (Arc::clone(&self.service), held.key.clone());
            self.kept_ns = now_ns;
            self.asked.spawn(async move {
                match service.keep(key).await {
                    // No answer is not a no.
                    Ok(()) | Err(ServiceError::Unreachable { .. }) => None,
                    Err(error) => Some(Answer::Given(format!("the controls are no longer held here: {error}"))),
                }
            });
        }
    }

    async fn reconnect(&mut self) -> mpsc::Receiver<Update> {
        match self.service.subscribe_as(self.name.clone()).await {
            Ok(updates) => {
                self.ask_rig();
                self.measured_at = None;
                updates
            }
            Err(error) => {
                self.picture.lost = Some(error.to_string());
                tokio::time::sleep(RETRY).await;
                mpsc::channel(1).1
            }
        }
    }

    fn ask_rig(&mut self) {
        let service = Arc::clone(&self.service);
        self.asked.spawn(async move { service.rig().await.ok().map(Answer::Rig) });
    }

    /// The cycles, whenever another phase has begun or a run has ended.
    fn ask_measured(&mut self) {
        let run = self.picture.snapshot.as_ref().and_then(|snapshot| snapshot.run.as_ref());
        let at = run.and_then(|run| run.anchor.map(|(_, phase, cycle)| (run.number, phase, cycle, run.end.is_some())));
        if at.is_none() || at == self.measured_at {
            return;
        }
        self.measured_at = at;
        let service = Arc::clone(&self.service);
        self.asked.spawn(async move {
            // The daemon cuts a phase out of its stream at its next look.
            tokio::time::sleep(RETRY).await;
            service.measured().await.ok().map(Answer::Measured)
        });
    }

    fn answered(&mut self, answer: Answer) {
        match answer {
            Answer::Said(text) => self.desk.notice = Some(text),
            Answer::Rig(rig) => self.picture.rig = Some(rig),
            Answer::Measured(measured) => self.picture.measured = measured,
            Answer::Held(grant) => {
                self.desk.notice = Some(format!("{} holds the controls here", grant.name));
                self.kept_ns = self.now_ns();
                self.desk.held = Some(grant);
            }
            Answer::Given(text) => {
                self.desk.held = None;
                self.desk.notice = Some(text);
            }
            Answer::Started(number) => {
                self.desk.own_run = Some(number);
                self.desk.notice = Some("run ordered".to_owned());
            }
        }
    }

    /// True: the person leaves.
    fn press(&mut self, key: Key) -> bool {
        if key != Key::Leave {
            self.desk.warned = false;
        }
        match key {
            // Ordered already, by the thread that read it.
            Key::Stop => {}
            Key::Take => self.take_control(),
            Key::Give => self.give_control(),
            Key::Start => self.start(),
            Key::Confirm => self.confirm(),
            Key::Skip => self.skip(),
            Key::Number => self.number(),
            Key::Typed(sign) => self.typed(sign),
            Key::Erase => self.erase(),
            Key::Enter => self.put_down(),
            Key::Drop => self.desk.typed = None,
            Key::Show(shown) => self.desk.show(shown),
            Key::Move(across, along) => self.desk.move_by(&mut self.picture, (across, along)),
            Key::Turn(by) => self.desk.turn(by),
            Key::Units => self.desk.system = if self.desk.system == System::Si { System::Us } else { System::Si },
            Key::Leave => return self.may_leave(),
        }
        false
    }

    /// A run that was started here ends without this terminal: said once.
    fn may_leave(&mut self) -> bool {
        let run = self.picture.snapshot.as_ref().and_then(|snapshot| snapshot.run.as_ref());
        let on = run.is_some_and(|run| run.end.is_none() && Some(run.number) == self.desk.own_run);
        if !on || self.desk.warned {
            return true;
        }
        self.desk.warned = true;
        self.desk.notice =
            Some("the run hangs on this terminal: its step ends and it stops if you leave; q again leaves".to_owned());
        false
    }

    fn take_control(&mut self) {
        let Some(name) = self.desk.name.clone() else {
            self.desk.notice = Some("the controls need a name; try: ramprig watch --name NAME".to_owned());
            return;
        };
        if self.desk.held.is_some() {
            self.desk.notice = Some("the controls are held here already".to_owned());
            return;
        }
        let service = Arc::clone(&self.service);
        self.asked.spawn(async move {
            Some(match service.hold(name).await {
                Ok(grant) => Answer::Held(grant),
                Err(error) => Answer::Said(error.to_string()),
            })
        });
    }

    fn give_control(&mut self) {
        let Some(held) = self.desk.held.take() else {
            self.desk.notice = Some("the controls are not held here".to_owned());
            return;
        };
        let service = Arc::clone(&self.service);
        self.asked.spawn(async move {
            Some(Answer::Given(match service.give_back(held.key).await {
                Ok(()) => "the controls are given back".to_owned(),
                Err(error) => error.to_string(),
            }))
        });
    }

    /// An order with the key of the controls.
    fn order(&mut self, order: Order, done: &'static str) {
        let Some(held) = &self.desk.held else {
            self.desk.notice = Some("take the controls first: t".to_owned());
            return;
        };
        let (service, key) = (Arc::clone(&self.service), held.key.clone());
        self.asked.spawn(async move {
            Some(match service.order(key, order).await {
                Ok(Some(number)) => Answer::Started(number),
                Ok(None) => Answer::Said(done.to_owned()),
                Err(error) => Answer::Said(error.to_string()),
            })
        });
    }

    fn start(&mut self) {
        if self.picture.is_busy() {
            self.desk.notice = Some("a run is on".to_owned());
            return;
        }
        if self.desk.shown != Shown::Ready {
            self.desk.show(Shown::Ready);
            self.desk.notice = Some("look at what a start needs, then press g".to_owned());
            return;
        }
        let sequence = self.picture.rig.as_ref().and_then(|rig| rig.sequences.get(self.desk.sequence));
        let starter = self.picture.snapshot.as_ref().and_then(|snapshot| snapshot.starters.get(self.desk.starter));
        let text = sequence.and_then(|sequence| script::shipped(&sequence.id));
        let Some(((sequence, starter), text)) = sequence.zip(starter).zip(text) else {
            self.desk.notice = Some("there is no sequence to start".to_owned());
            return;
        };
        let request = RunRequest {
            sequence_text: text.to_owned(),
            sequence_name: sequence.id.clone(),
            starter: starter.id.clone(),
            attending: String::new(),
            confirmed_by: None,
            out_dir: String::new(),
            label: String::new(),
            band: None,
            face: Some(self.name.clone()),
            from_cycle: None,
        };
        self.order(Order::Start(Box::new(request)), "run ordered");
    }

    fn confirm(&mut self) {
        if self.desk.held.is_none() {
            self.desk.notice = Some("take the controls first: t".to_owned());
            return;
        }
        match self.desk.answers(self.watching.clock.now_ns()) {
            Ok(question) => self.order(Order::Confirm(question), "answer taken"),
            Err(why) => self.desk.notice = Some(why.to_owned()),
        }
    }

    fn skip(&mut self) {
        let run =
            self.picture.snapshot.as_ref().and_then(|snapshot| snapshot.run.as_ref()).filter(|run| run.end.is_none());
        match run.and_then(|run| run.progress.as_ref()).filter(|progress| progress.may_be_skipped) {
            Some(progress) => self.order(Order::Skip(progress.step_number), "ordered to pass over"),
            None => self.desk.notice = Some("this is no step that may be passed over".to_owned()),
        }
    }

    fn number(&mut self) {
        match self.desk.typed {
            Some(_) => self.put_down(),
            None if self.desk.held.is_some() => self.desk.typed = Some(String::new()),
            None => self.desk.notice = Some("take the controls first: t".to_owned()),
        }
    }

    fn typed(&mut self, sign: char) {
        let sign = if sign == ',' { '.' } else { sign };
        if let Some(typed) = self.desk.typed.as_mut().filter(|typed| typed.len() < TYPED_MOST) {
            typed.push(sign);
        }
    }

    fn erase(&mut self) {
        if let Some(typed) = &mut self.desk.typed {
            typed.pop();
        }
    }

    fn put_down(&mut self) {
        let Some(typed) = self.desk.typed.take() else { return };
        match typed.parse::<f64>() {
            Ok(value) if value.is_finite() => {
                self.order(Order::Guess(value / pressure(self.desk.system).by), "guess written down");
            }
            _ => self.desk.notice = Some(format!("`{typed}` is no number")),
        }
    }

    /// Controls that nobody holds any more are given back, as far as that is quickly done.
    async fn leave(mut self) {
        if let Some(held) = self.desk.held.take() {
            let _ = tokio::time::timeout(RETRY, self.service.give_back(held.key)).await;
        }
    }
}

/// A thread of its own reads the terminal, since that read cannot be waited for together with sockets. Stops go their own way,
/// and to the screen besides.
fn key_presses() -> std::io::Result<(mpsc::Receiver<Pressed>, mpsc::Receiver<()>, Listening)> {
    let (sender, receiver) = mpsc::channel(KEYS_KEPT);
    let (stop, stops) = mpsc::channel(KEYS_KEPT);
    let listening = Arc::new(AtomicBool::new(true));
    let still = Arc::clone(&listening);
    std::thread::Builder::new().name("keys".to_owned()).spawn(move || {
        while still.load(Ordering::Relaxed) {
            match crossterm::event::poll(FRAME) {
                Ok(true) => {}
                Ok(false) => continue,
                Err(_) => return,
            }
            let Ok(Event::Key(key)) = crossterm::event::read() else { continue };
            if key.kind != KeyEventKind::Press {
                continue;
            }
            if meaning(key.code, key.modifiers, false) == Some(Key::Stop) {
                // Full means that so many stops are on their way.
                let _ = stop.try_send(());
                let _ = sender.try_send((key.code, key.modifiers));
            } else if sender.blocking_send((key.code, key.modifiers)).is_err() {
                return;
            }
        }
    })?;
    Ok((receiver, stops, Listening(listening)))
}
