//! The writing side: a thread that keeps what arrives while the next request is under way.

use super::CopyOptions;
use super::halt::Halt;
use crate::clock::{Clock, Moment};
use crate::extent::Extent;
use crate::source::{AlignedBuffer, Store};
use std::io;
use std::sync::mpsc::{Receiver, RecvTimeoutError, Sender, SyncSender, channel, sync_channel};
use std::thread::{Scope, ScopedJoinHandle};

/// Memory for what has arrived and is not yet written. It bridges a flush of the destination.
const BUFFERS_BYTES: u64 = 16 << 20;

/// What the writer is asked to do, in order; each sent with the moment at which it was, which is when the writer's time
/// counts from: how far it is behind must not matter.
enum Order {
    Keep(Extent, AlignedBuffer),
    Defer(Extent),
    GiveUp(Extent),
    Commit,
    /// Say when everything before is done.
    Answer(SyncSender<()>),
}

/// What the store refused.
pub(super) struct StoreFault {
    pub(super) doing: &'static str,
    pub(super) error: io::Error,
}

/// The reading side's end of the channel. When it is dropped the writer commits and ends.
pub(super) struct Desk<'d> {
    clock: &'d Clock,
    orders: SyncSender<(Moment, Order)>,
    spare: Receiver<AlignedBuffer>,
    returned: Option<AlignedBuffer>,
}

/// Starts the writer.
pub(super) fn start<'scope, 'env>(
    scope: &'scope Scope<'scope, 'env>,
    store: &'env dyn Store,
    options: &'env CopyOptions,
    clock: &'env Clock,
) -> (Desk<'env>, ScopedJoinHandle<'scope, Result<(), StoreFault>>) {
    let size = usize::try_from(options.request_bytes).expect("a request is at most 16 MiB");
    let count = (BUFFERS_BYTES / options.request_bytes).clamp(2, 64);
    let (orders, incoming) = sync_channel(256);
    let (back, spare) = channel();
    for _ in 0..count {
        // Zeroed memory that is never touched costs nothing, so small requests leave most of these unused.
        let _ = back.send(AlignedBuffer::new(size));
    }
    let writer = Writer { store, options, clock, back, unsafe_since: None, unsafe_bytes: 0 };
    let handle = scope.spawn(move || writer.work(&incoming));
    (Desk { clock, orders, spare, returned: None }, handle)
}

impl Desk<'_> {
    /// An empty buffer of the request size; waits for one when the writer is behind.
    pub(super) fn buffer(&mut self) -> Result<AlignedBuffer, Halt> {
        self.returned.take().map_or_else(|| self.spare.recv().map_err(|_| Halt::WriterEnded), Ok)
    }

    /// Takes back a buffer that was not filled.
    pub(super) fn give_back(&mut self, buffer: AlignedBuffer) {
        self.returned = Some(buffer);
    }

    /// Has the first `extent.bytes` of `buffer` kept.
    pub(super) fn keep(&self, extent: Extent, buffer: AlignedBuffer) -> Result<(), Halt> {
        self.order(Order::Keep(extent, buffer))
    }

    /// Has a place put off.
    pub(super) fn defer(&self, extent: Extent) -> Result<(), Halt> {
        self.order(Order::Defer(extent))
    }

    /// Has a place given up.
    pub(super) fn give_up(&self, extent: Extent) -> Result<(), Halt> {
        self.order(Order::GiveUp(extent))
    }

    /// Has everything so far made durable.
    pub(super) fn commit(&self) -> Result<(), Halt> {
        self.order(Order::Commit)
    }

    /// Waits until the store has been told all of the above.
    pub(super) fn settle(&self) -> Result<(), Halt> {
        let (done, wait) = sync_channel(1);
        self.order(Order::Answer(done))?;
        wait.recv().map_err(|_| Halt::WriterEnded)
    }

    fn order(&self, order: Order) -> Result<(), Halt> {
        self.orders.send((self.clock.now(), order)).map_err(|_| Halt::WriterEnded)
    }
}

struct Writer<'w> {
    store: &'w dyn Store,
    options: &'w CopyOptions,
    clock: &'w Clock,
    back: Sender<AlignedBuffer>,
    /// When the first thing was told that is not durable yet.
    unsafe_since: Option<Moment>,
    unsafe_bytes: u64,
}

impl Writer<'_> {
    fn work(mut self, incoming: &Receiver<(Moment, Order)>) -> Result<(), StoreFault> {
        let worked = self.until_let_go(incoming);
        // Also after a refusal: what was accepted before it may still be made durable.
        let committed = self.commit();
        worked.and(committed)
    }

    fn until_let_go(&mut self, incoming: &Receiver<(Moment, Order)>) -> Result<(), StoreFault> {
        loop {
            let order = match self.unsafe_since {
                None => incoming.recv().map_err(|_| RecvTimeoutError::Disconnected),
                Some(since) => {
                    self.clock.receive(incoming, self.options.commit_time.saturating_sub(self.clock.since(since)))
                }
            };
            let sent = match order {
                Ok((sent, order)) => {
                    self.carry_out(order, sent)?;
                    sent
                }
                Err(RecvTimeoutError::Timeout) => {
                    self.commit()?;
                    continue;
                }
                Err(RecvTimeoutError::Disconnected) => return Ok(()),
            };
            // A busy channel never times out.
            let late = self.unsafe_since.is_some_and(|since| sent.since(since) >= self.options.commit_time);
            if late || self.unsafe_bytes >= self.options.commit_bytes {
                self.commit()?;
            }
        }
    }

    fn carry_out(&mut self, order: Order, sent: Moment) -> Result<(), StoreFault> {
        let told = match order {
            Order::Keep(extent, buffer) => {
                let count = usize::try_from(extent.bytes).expect("a request is at most 16 MiB");
                let kept = self.store.keep(extent, &buffer.bytes()[..count]);
                // The reading side may have ended already.
                let _ = self.back.send(buffer);
                self.unsafe_bytes += extent.bytes;
                kept.map_err(|error| StoreFault { doing: "writing what was read", error })
            }
            Order::Defer(extent) => {
                self.store.defer(extent).map_err(|error| StoreFault { doing: "recording a deferred place", error })
            }
            Order::GiveUp(extent) => {
                self.store.give_up(extent).map_err(|error| StoreFault { doing: "recording an unreadable place", error })
            }
            Order::Commit => return self.commit(),
            Order::Answer(done) => {
                let _ = done.send(());
                return Ok(());
            }
        };
        self.unsafe_since.get_or_insert(sent);
        told
    }

    fn commit(&mut self) -> Result<(), StoreFault> {
        if self.unsafe_since.take().is_none() {
            return Ok(());
        }
        self.unsafe_bytes = 0;
        self.store.commit().map_err(|error| StoreFault { doing: "making what was written durable", error })
    }
}
