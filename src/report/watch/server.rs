//! Serving the page: one thread, few visitors, each for a short time.

use super::board::{Board, Standing};
use super::guard::{Wanted, admit};
use super::page::{Parts, page, parts};
use super::{Timing, Watch, WatchEnd, WatchError};
use crate::base::text::json;
use http_body_util::Full;
use hyper::body::{Bytes, Incoming};
use hyper::header::{self, HeaderName, HeaderValue};
use hyper::server::conn::http1;
use hyper::service::service_fn;
use hyper::{Request, Response, StatusCode};
use hyper_util::rt::{TokioIo, TokioTimer};
use std::cell::RefCell;
use std::convert::Infallible;
use std::rc::Rc;
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};
use std::time::{Duration, Instant};
use tokio::net::{TcpListener, TcpStream};
use tokio::sync::Semaphore;
use tokio::task::{LocalSet, spawn_local};
use tokio::time::{sleep, timeout};

/// Visitors at the same time; who comes while all are there is sent away.
const VISITORS: usize = 64;
/// Bytes and fields of a request's head; browsers send some 700 and 15.
const HEAD_BYTES: usize = 8 << 10;
const HEAD_FIELDS: usize = 64;
/// How soon Ctrl-C is noticed.
const BREATH: Duration = Duration::from_millis(50);

/// What is served, shared by all visitors.
struct Site {
    port: u16,
    token: String,
    now: RefCell<Now>,
}

/// The board, and what was made of it since the last look.
struct Now {
    board: Board,
    made: Option<Made>,
}

struct Made {
    parts: Parts,
    json: Bytes,
}

/// Serves until the copy ends or `stop` is set.
pub(super) fn serve(watch: Watch, stop: &AtomicBool) -> Result<WatchEnd, WatchError> {
    let Watch { listener, port, token, board, timing } = watch;
    let runtime = tokio::runtime::Builder::new_current_thread().enable_all().build().map_err(WatchError::Serve)?;
    let site = Rc::new(Site { port, token, now: RefCell::new(Now { board, made: None }) });
    LocalSet::new().block_on(&runtime, async {
        let listener = TcpListener::from_std(listener).map_err(WatchError::Serve)?;
        spawn_local(receive(listener, Rc::clone(&site), timing.visit));
        Ok(follow(&site, timing, stop).await)
    })
}

/// Looks at the case again and again; the end of it is the end of the site.
async fn follow(site: &Site, timing: Timing, stop: &AtomicBool) -> WatchEnd {
    let mut looked = Instant::now();
    let mut over: Option<(WatchEnd, Instant)> = None;
    loop {
        if stop.load(Ordering::Relaxed) {
            return over.map_or(WatchEnd::Asked, |(end, _)| end);
        }
        match &over {
            Some((end, since)) if since.elapsed() >= timing.linger => return end.clone(),
            Some(_) => {}
            None if looked.elapsed() >= timing.look => {
                let mut now = site.now.borrow_mut();
                now.board.refresh();
                now.made = None;
                looked = Instant::now();
                if let Standing::Over(end) = now.board.standing() {
                    over = Some((end.clone(), Instant::now()));
                }
            }
            None => {}
        }
        sleep(BREATH).await;
    }
}

async fn receive(listener: TcpListener, site: Rc<Site>, visit: Duration) {
    let room = Arc::new(Semaphore::new(VISITORS));
    loop {
        match listener.accept().await {
            Ok((stream, _)) => {
                if let Ok(place) = Arc::clone(&room).try_acquire_owned() {
                    let site = Rc::clone(&site);
                    spawn_local(async move {
                        // Who is slow to ask or to take the answer is left after a while.
                        let _ = timeout(visit, attend(stream, site)).await;
                        drop(place);
                    });
                }
            }
            // No descriptors are free, or the visitor is gone already.
            Err(_) => sleep(BREATH).await,
        }
    }
}

/// One request and its answer. A connection that breaks ends nothing else.
async fn attend(stream: TcpStream, site: Rc<Site>) {
    let service = service_fn(|request: Request<Incoming>| {
        let answer = site.answer(&request);
        async move { Ok::<_, Infallible>(answer) }
    });
    let connection = http1::Builder::new()
        .timer(TokioTimer::new())
        // The library's date ends the process when the clock is before 1970 or beyond 9999; nothing here is cached by date.
        .auto_date_header(false)
        .keep_alive(false)
        .max_buf_size(HEAD_BYTES)
        .max_headers(HEAD_FIELDS)
        .serve_connection(TokioIo::new(stream), service);
    let _ = connection.await;
}

impl Site {
    fn answer<B>(&self, request: &Request<B>) -> Response<Full<Bytes>> {
        match admit(request, self.port, &self.token) {
            Ok(wanted) => self.give(wanted),
            Err(status) => refuse(status),
        }
    }

    fn give(&self, wanted: Wanted) -> Response<Full<Bytes>> {
        let mut now = self.now.borrow_mut();
        let Now { board, made } = &mut *now;
        let made = made.get_or_insert_with(|| {
            let parts = parts(board);
            let json = json(&parts).expect("plain values").into();
            Made { parts, json }
        });
        match wanted {
            Wanted::State => respond(StatusCode::OK, "application/json", "default-src 'none'", made.json.clone()),
            Wanted::Page => {
                let nonce = uuid::Uuid::new_v4().simple().to_string();
                let policy = format!(
                    "default-src 'none'; style-src 'nonce-{nonce}'; script-src 'nonce-{nonce}'; connect-src 'self'; \
                     base-uri 'none'; form-action 'none'; frame-ancestors 'none'"
                );
                let page = page(board, &made.parts, &nonce);
                respond(StatusCode::OK, "text/html; charset=utf-8", &policy, page.into())
            }
        }
    }
}

fn refuse(status: StatusCode) -> Response<Full<Bytes>> {
    let text = status.canonical_reason().unwrap_or("refused").to_owned() + "\n";
    let mut response = respond(status, "text/plain; charset=utf-8", "default-src 'none'", text.into());
    if status == StatusCode::METHOD_NOT_ALLOWED {
        response.headers_mut().insert(header::ALLOW, HeaderValue::from_static("GET"));
    }
    response
}

/// An answer that no cache keeps, no other site reads or frames, and that sends its address nowhere.
fn respond(status: StatusCode, kind: &'static str, policy: &str, body: Bytes) -> Response<Full<Bytes>> {
    let mut response = Response::new(Full::new(body));
    *response.status_mut() = status;
    let headers = response.headers_mut();
    let policy = HeaderValue::from_str(policy).expect("plain ASCII");
    headers.insert(header::CONTENT_SECURITY_POLICY, policy);
    for (name, value) in [
        (header::CONTENT_TYPE, kind),
        (header::CACHE_CONTROL, "no-store"),
        (header::X_CONTENT_TYPE_OPTIONS, "nosniff"),
        (header::X_FRAME_OPTIONS, "DENY"),
        (header::REFERRER_POLICY, "no-referrer"),
        (HeaderName::from_static("cross-origin-resource-policy"), "same-origin"),
        (HeaderName::from_static("cross-origin-opener-policy"), "same-origin"),
    ] {
        headers.insert(name, HeaderValue::from_static(value));
    }
    response
}
