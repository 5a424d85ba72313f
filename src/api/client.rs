//! The service seen from another process: every call opens a WebSocket of its own, so that a stop never waits behind
//! anything and a restarted daemon needs no special care.

use super::lead::{Lead, Measured, Order};
use super::stage::{Grant, RigView};
use super::wire::{Answer, Call, FromFace, ToFace};
use super::{API_VERSION, RunRequest, Service, ServiceError, Snapshot, StopReport, Update};
use crate::sequence::executor::VIRTUAL_NAME;
use futures_util::future::BoxFuture;
use futures_util::{SinkExt, StreamExt};
use std::sync::{Mutex, PoisonError};
use std::time::Duration;
use tokio::io::{AsyncRead, AsyncWrite};
use tokio::net::TcpStream;
use tokio::sync::mpsc;
use tokio::task::JoinSet;
use tokio_tungstenite::tungstenite::client::IntoClientRequest;
use tokio_tungstenite::tungstenite::handshake::client::Request;
use tokio_tungstenite::tungstenite::{Error as WireError, Message};
use tokio_tungstenite::{WebSocketStream, client_async};

/// Bytes both ways, in the clear or not.
trait Bytes: AsyncRead + AsyncWrite + Unpin + Send {}
impl<T: AsyncRead + AsyncWrite + Unpin + Send> Bytes for T {}

type Socket = WebSocketStream<Box<dyn Bytes>>;

/// Longest wait (wall) for a connection and for an answer.
const ANSWER_DEADLINE: Duration = Duration::from_secs(10);
/// Updates kept for a subscriber in this process; the daemon's side drops and says so when this backs up.
const UPDATES_KEPT: usize = 64;

/// A client of a daemon at `address` (`host:port`).
#[derive(Debug)]
pub struct Client {
    address: String,
    token: Option<String>,
    #[cfg(feature = "tls")]
    trusted: Option<super::tls::Trusted>,
    pumps: Mutex<JoinSet<()>>,
}

impl Client {
    /// Remember where the daemon is; nothing is opened yet.
    pub fn new(address: impl Into<String>) -> Self {
        Self {
            address: address.into(),
            token: None,
            #[cfg(feature = "tls")]
            trusted: None,
            pumps: Mutex::new(JoinSet::new()),
        }
    }

    /// Show this token, as a daemon on another computer wants it.
    #[must_use]
    pub fn with_token(self, token: Option<String>) -> Self {
        Self { token, ..self }
    }

    /// Speak TLS, to a daemon that is believed by these certificates.
    #[cfg(feature = "tls")]
    #[must_use]
    pub fn with_trusted(self, trusted: Option<super::tls::Trusted>) -> Self {
        Self { trusted, ..self }
    }

    fn speaks_tls(&self) -> bool {
        #[cfg(feature = "tls")]
        return self.trusted.is_some();
        #[cfg(not(feature = "tls"))]
        false
    }

    fn unreachable(&self, reason: impl std::fmt::Display) -> ServiceError {
        ServiceError::Unreachable { address: self.address.clone(), reason: reason.to_string() }
    }

    async fn open(&self) -> Result<Socket, ServiceError> {
        let url = format!("ws://{}/v{API_VERSION}/live", self.address);
        let mut request = url.into_client_request().map_err(|error| self.unreachable(error))?;
        if let Some(token) = &self.token {
            let shown = format!("Bearer {token}").parse().map_err(|_| self.unreachable("the token is no token"))?;
            request.headers_mut().insert("authorization", shown);
        }
        let connected = tokio::time::timeout(ANSWER_DEADLINE, self.connect(request)).await;
        connected.unwrap_or_else(|_| Err(self.unreachable("no answer within 10 s")))
    }

    async fn connect(&self, request: Request) -> Result<Socket, ServiceError> {
        let stream = TcpStream::connect(&self.address).await.map_err(|error| self.unreachable(error))?;
        // A stop is a few bytes, and nothing waits to be sent with them.
        stream.set_nodelay(true).map_err(|error| self.unreachable(error))?;
        let bytes = self.encrypted(stream).await?;
        client_async(request, bytes).await.map(|(socket, _)| socket).map_err(|error| self.turned_away(&error))
    }

    #[cfg(feature = "tls")]
    async fn encrypted(&self, stream: TcpStream) -> Result<Box<dyn Bytes>, ServiceError> {
        let Some(trusted) = &self.trusted else { return Ok(Box::new(stream)) };
        match trusted.over(stream, &self.address).await {
            Ok(encrypted) => Ok(Box::new(encrypted)),
            Err(error) => Err(self.unreachable(format!(
                "no TLS that is trusted ({error}); try: --trust with the certificate that it is served with (serve --certificate)"
            ))),
        }
    }

    #[cfg(not(feature = "tls"))]
    #[allow(clippy::unused_async, reason = "its other form waits for a handshake")]
    async fn encrypted(&self, stream: TcpStream) -> Result<Box<dyn Bytes>, ServiceError> {
        Ok(Box::new(stream))
    }

    /// There is something at the address, but no conversation.
    fn turned_away(&self, error: &WireError) -> ServiceError {
        match error {
            WireError::Http(answer) if answer.status() == 401 => self.unreachable(
                "it wants its token, or another one; try: --token-file FILE, or RAMPRIG_TOKEN in the environment",
            ),
            WireError::Http(answer) => {
                let text = answer.body().as_deref().map(String::from_utf8_lossy).unwrap_or_default();
                self.unreachable(format!("{} {}", answer.status(), text.trim()))
            }
            _ if self.speaks_tls() => self.unreachable(error),
            _ => self.unreachable(format!("{error}; where it is served with TLS, try: --trust FILE")),
        }
    }

    async fn ask(&self, socket: &mut Socket, call: Call) -> Result<Answer, ServiceError> {
        self.ask_with(socket, None, call).await
    }

    async fn ask_with(&self, socket: &mut Socket, key: Option<String>, call: Call) -> Result<Answer, ServiceError> {
        let text = serde_json::to_string(&FromFace { id: 1, key, call }).map_err(|e| self.unreachable(e))?;
        socket.send(Message::text(text)).await.map_err(|e| self.unreachable(e))?;
        loop {
            match self.next(socket).await? {
                ToFace::Answer { outcome, .. } => return outcome,
                ToFace::Update(_) => {}
            }
        }
    }

    async fn next(&self, socket: &mut Socket) -> Result<ToFace, ServiceError> {
        loop {
            let message = tokio::time::timeout(ANSWER_DEADLINE, socket.next())
                .await
                .map_err(|_| self.unreachable("silent for 10 s"))?
                .ok_or_else(|| self.unreachable("the daemon closed the connection"))?
                .map_err(|e| self.unreachable(e))?;
            if let Message::Text(text) = message {
                return serde_json::from_str(&text).map_err(|e| self.unreachable(format!("not understood: {e}")));
            }
        }
    }

    async fn call(&self, call: Call) -> Result<Answer, ServiceError> {
        let mut socket = self.open().await?;
        let answer = self.ask(&mut socket, call).await;
        // The answer is what counts; a failed goodbye changes nothing.
        let _ = socket.close(None).await;
        answer
    }

    /// A call that needs the controls: taken in the name of who orders, and given back at once.
    async fn ordered_by(&self, name: &str, call: Call) -> Result<Answer, ServiceError> {
        let mut socket = self.open().await?;
        let answer = match self.ask(&mut socket, Call::TakeControl { name: name.to_owned() }).await? {
            Answer::Control(grant) => {
                let answer = self.ask_with(&mut socket, Some(grant.key.clone()), call).await;
                // What came of the order is what counts; controls that are not given back are taken back by the daemon.
                let _ = self.ask_with(&mut socket, Some(grant.key), Call::GiveControl).await;
                answer
            }
            other => Err(self.odd(&other)),
        };
        let _ = socket.close(None).await;
        answer
    }

    async fn subscribe_by(&self, call: Call) -> Result<mpsc::Receiver<Update>, ServiceError> {
        let mut socket = self.open().await?;
        self.ask(&mut socket, call).await?;
        let (sender, receiver) = mpsc::channel(UPDATES_KEPT);
        self.pumps.lock().unwrap_or_else(PoisonError::into_inner).spawn(pump(socket, sender));
        Ok(receiver)
    }

    fn odd(&self, answer: &Answer) -> ServiceError {
        self.unreachable(format!("unexpected answer {answer:?}"))
    }
}

async fn pump(mut socket: Socket, updates: mpsc::Sender<Update>) {
    while let Some(Ok(message)) = socket.next().await {
        let Message::Text(text) = message else { continue };
        let Ok(ToFace::Update(update)) = serde_json::from_str::<ToFace>(&text) else { continue };
        if updates.send(*update).await.is_err() {
            return;
        }
    }
}

impl Service for Client {
    fn snapshot(&self) -> BoxFuture<'_, Result<Snapshot, ServiceError>> {
        Box::pin(async {
            match self.call(Call::Snapshot).await? {
                Answer::Snapshot(snapshot) => Ok(*snapshot),
                other => Err(self.odd(&other)),
            }
        })
    }

    fn subscribe(&self) -> BoxFuture<'_, Result<mpsc::Receiver<Update>, ServiceError>> {
        Box::pin(self.subscribe_by(Call::Subscribe))
    }

    fn subscribe_as(&self, face: String) -> BoxFuture<'_, Result<mpsc::Receiver<Update>, ServiceError>> {
        Box::pin(self.subscribe_by(Call::SubscribeAs { face }))
    }

    fn start_run(&self, request: RunRequest) -> BoxFuture<'_, Result<u32, ServiceError>> {
        Box::pin(async move {
            let named = [request.attending.as_str(), request.confirmed_by.as_deref().unwrap_or_default()];
            let name = named.into_iter().find(|name| !name.trim().is_empty()).unwrap_or(VIRTUAL_NAME).to_owned();
            match self.ordered_by(&name, Call::StartRun(Box::new(request))).await? {
                Answer::Run(number) => Ok(number),
                other => Err(self.odd(&other)),
            }
        })
    }

    fn stop(&self, by: String) -> BoxFuture<'_, Result<StopReport, ServiceError>> {
        Box::pin(async move {
            match self.call(Call::Stop { by }).await? {
                Answer::Stop(report) => Ok(report),
                other => Err(self.odd(&other)),
            }
        })
    }

    fn confirm(&self, id: u32, by: String) -> BoxFuture<'_, Result<(), ServiceError>> {
        Box::pin(async move {
            let name = by.clone();
            match self.ordered_by(&name, Call::Confirm { question: id, by }).await? {
                Answer::Done => Ok(()),
                other => Err(self.odd(&other)),
            }
        })
    }
}

impl Client {
    /// A call with the key of the controls whose answer is that it is done.
    async fn done(&self, key: String, call: Call) -> Result<Option<u32>, ServiceError> {
        let mut socket = self.open().await?;
        let answer = self.ask_with(&mut socket, Some(key), call).await;
        // The answer is what counts; a failed goodbye changes nothing.
        let _ = socket.close(None).await;
        match answer? {
            Answer::Done => Ok(None),
            Answer::Run(number) => Ok(Some(number)),
            other => Err(self.odd(&other)),
        }
    }
}

impl Lead for Client {
    fn rig(&self) -> BoxFuture<'_, Result<RigView, ServiceError>> {
        Box::pin(async {
            match self.call(Call::Rig).await? {
                Answer::Rig(rig) => Ok(*rig),
                other => Err(self.odd(&other)),
            }
        })
    }

    fn measured(&self) -> BoxFuture<'_, Result<Measured, ServiceError>> {
        Box::pin(async {
            match self.call(Call::Measured).await? {
                Answer::Measured(measured) => Ok(*measured),
                other => Err(self.odd(&other)),
            }
        })
    }

    fn hold(&self, name: String) -> BoxFuture<'_, Result<Grant, ServiceError>> {
        Box::pin(async {
            match self.call(Call::TakeControl { name }).await? {
                Answer::Control(grant) => Ok(grant),
                other => Err(self.odd(&other)),
            }
        })
    }

    fn keep(&self, key: String) -> BoxFuture<'_, Result<(), ServiceError>> {
        Box::pin(async { self.done(key, Call::KeepControl).await.map(|_| ()) })
    }

    fn give_back(&self, key: String) -> BoxFuture<'_, Result<(), ServiceError>> {
        Box::pin(async { self.done(key, Call::GiveControl).await.map(|_| ()) })
    }

    fn order(&self, key: String, order: Order) -> BoxFuture<'_, Result<Option<u32>, ServiceError>> {
        Box::pin(self.done(
            key,
            match order {
                Order::Start(request) => Call::StartRun(request),
                Order::Confirm(question) => Call::Confirm { question, by: String::new() },
                Order::Skip(step) => Call::Skip { step },
                Order::Guess(value_pa) => Call::Guess { value_pa },
            },
        ))
    }
}
