//! The writing side: a thread that keeps what arrives while the next request is under way. When it becomes durable
//! follows the rule of the case's store (`case::CommitRule`); this thread carries out the commits at its end and where the
//! reading side relies on what is safe.

use crate::base::clock::Clock;
use crate::base::extent::Extent;
use crate::copy::reading::CopyOptions;
use crate::copy::reading::early_end::EarlyEnd;
use crate::source::{AlignedBuffer, CopyStore, RangeMark};
use std::io;
use std::sync::mpsc::{Receiver, Sender, SyncSender, channel, sync_channel};
use std::thread::{Scope, ScopedJoinHandle};
use std::time::Duration;

/// Memory for what has arrived and is not yet written. It bridges a flush of the destination.
pub(in crate::copy::reading) const BUFFERS_BYTES: u64 = 16 << 20;

/// Pauses before a write that failed is tried again. What has arrived may never arrive again, and many failures of a
/// destination pass: a network that stumbles, room that another program gives back.
const PAUSES: [Duration; 3] = [Duration::ZERO, Duration::from_secs(1), Duration::from_secs(5)];

/// What the writer is asked to do, in order.
enum Order {
    Keep(Extent, AlignedBuffer),
    Mark(RangeMark),
    Commit,
    /// Say when everything before is done.
    Answer(SyncSender<()>),
}

/// What the store refused.
pub(in crate::copy::reading) struct StoreFault {
    pub(in crate::copy::reading) doing: &'static str,
    pub(in crate::copy::reading) error: io::Error,
}

/// The reading side's end of the channel. When it is dropped the writer commits and ends.
pub(in crate::copy::reading) struct WriterHandle {
    orders: SyncSender<Order>,
    spare: Receiver<AlignedBuffer>,
    returned: Option<AlignedBuffer>,
}

/// Starts the writer.
pub(in crate::copy::reading) fn start<'scope, 'env>(
    scope: &'scope Scope<'scope, 'env>,
    store: &'env dyn CopyStore,
    options: &CopyOptions,
    clock: &'env Clock,
) -> (WriterHandle, ScopedJoinHandle<'scope, Result<(), StoreFault>>) {
    let size = usize::try_from(options.request_bytes).expect("a request is at most 16 MiB");
    let count = (BUFFERS_BYTES / options.request_bytes).clamp(2, 64);
    let (orders, incoming) = sync_channel(256);
    let (back, spare) = channel();
    for _ in 0..count {
        // Zeroed memory that is never touched costs nothing, so small requests leave most of these unused.
        let _ = back.send(AlignedBuffer::new(size));
    }
    let writer = Writer { store, clock, back, fault: None };
    let handle = scope.spawn(move || writer.work(&incoming));
    (WriterHandle { orders, spare, returned: None }, handle)
}

impl WriterHandle {
    /// An empty buffer of the request size; waits for one when the writer is behind.
    pub(in crate::copy::reading) fn buffer(&mut self) -> Result<AlignedBuffer, EarlyEnd> {
        self.returned.take().map_or_else(|| self.spare.recv().map_err(|_| EarlyEnd::WriterEnded), Ok)
    }

    /// Takes a buffer back that was not filled.
    pub(in crate::copy::reading) fn give_back(&mut self, buffer: AlignedBuffer) {
        self.returned = Some(buffer);
    }

    /// What the first `extent.bytes` bytes of the buffer hold has arrived.
    pub(in crate::copy::reading) fn keep(&self, extent: Extent, buffer: AlignedBuffer) -> Result<(), EarlyEnd> {
        self.order(Order::Keep(extent, buffer))
    }

    /// Something is to be remembered of a place.
    pub(in crate::copy::reading) fn mark(&self, mark: RangeMark) -> Result<(), EarlyEnd> {
        self.order(Order::Mark(mark))
    }

    /// What was told so far is to be made durable.
    pub(in crate::copy::reading) fn commit(&self) -> Result<(), EarlyEnd> {
        self.order(Order::Commit)
    }

    /// Waits until the store was told all of the above.
    pub(in crate::copy::reading) fn settle(&self) -> Result<(), EarlyEnd> {
        let (done, wait) = sync_channel(1);
        self.order(Order::Answer(done))?;
        wait.recv().map_err(|_| EarlyEnd::WriterEnded)
    }

    fn order(&self, order: Order) -> Result<(), EarlyEnd> {
        self.orders.send(order).map_err(|_| EarlyEnd::WriterEnded)
    }
}

struct Writer<'w> {
    store: &'w dyn CopyStore,
    clock: &'w Clock,
    back: Sender<AlignedBuffer>,
    /// What the store refused, for good. From then on nothing is asked of the reading side, and what had arrived already
    /// is kept as far as the store takes it.
    fault: Option<StoreFault>,
}

impl Writer<'_> {
    fn work(mut self, incoming: &Receiver<Order>) -> Result<(), StoreFault> {
        while let Ok(order) = incoming.recv() {
            self.carry_out(order);
            if self.fault.is_some() {
                // The reading side gets no buffer any more once these are used up; what it sent is not lost.
                incoming.try_iter().for_each(|order| self.carry_out(order));
                break;
            }
        }
        // Also after a refusal: what was accepted may still be made durable.
        self.commit();
        self.fault.map_or(Ok(()), Err)
    }

    fn carry_out(&mut self, order: Order) {
        match order {
            Order::Keep(extent, buffer) => {
                let count = usize::try_from(extent.bytes).expect("a request is at most 16 MiB");
                self.insist("writing what was read", |store| store.keep(extent, &buffer.bytes()[..count]));
                // After a refusal nothing more is to be read. The reading side may have ended already.
                if self.fault.is_none() {
                    let _ = self.back.send(buffer);
                }
            }
            Order::Mark(mark) => self.insist("recording what became of a place", |store| store.mark(mark)),
            Order::Commit => self.commit(),
            Order::Answer(done) => {
                let _ = done.send(());
            }
        }
    }

    fn commit(&mut self) {
        self.insist("making what was written durable", |store| store.commit());
    }

    /// Asks the store until it does something, or for the last time.
    fn insist(&mut self, doing: &'static str, ask: impl Fn(&dyn CopyStore) -> io::Result<()>) {
        let mut pauses = PAUSES.into_iter().take(if self.fault.is_some() { 0 } else { PAUSES.len() });
        while let Err(error) = ask(self.store) {
            match pauses.next() {
                Some(pause) => self.clock.sleep(pause),
                None => {
                    self.fault.get_or_insert(StoreFault { doing, error });
                    return;
                }
            }
        }
    }
}
