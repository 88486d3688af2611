//! The client as a bus: replies, errors, windows, times.

use super::bridges::*;
use farrier::bus::{Bus, BusError, Drive, Line, Operation, Outcome, Pattern, Reply, Slot, SlotKind, Ticket, Why};
use farrier::time::Clock;
use farrier::units::{Hertz, Millivolts};
use std::time::Duration;

/// 256 data bytes, two a repetition.
fn block(repeat: u32) -> Operation {
    let slot = |bit| Slot { kind: SlotKind::Data, bit, width: 8 };
    let data = (0..repeat * 2).map(|n| n.to_le_bytes()[0]).collect();
    Operation::Pattern(Pattern { template: vec![0; 8], slots: vec![slot(24), slot(56)], first: 0, repeat, data, outcome: Outcome::Discard })
}

#[test]
fn every_operation_gets_its_reply() {
    let (wire, _, _) = wire();
    let mut client = client(wire);
    let list = [
        Operation::Line { line: Line::Reset, drive: Drive::Low },
        Operation::SpiClock(Hertz(125_000)),
        Operation::Transfer(vec![0xAC, 0x53, 0, 0]),
        Operation::MeasureSupply,
        Operation::Delay(Duration::from_millis(20)),
    ];
    let replies = client.run(&list).unwrap();
    let sent_back = Reply::Bytes(vec![0x53, 0xAC, 0xFF, 0xFF]);
    let clock = Reply::Clock(Hertz(125_000));
    assert_eq!(replies, [Reply::Done, clock, sent_back, Reply::Supply(Some(Millivolts(5000))), Reply::Done]);
    assert!(client.run(&[]).unwrap().is_empty());
}

#[test]
fn a_list_larger_than_a_frame_is_carried_out_in_order() {
    let (wire, log, _) = wire();
    let mut client = client(wire);
    let list: Vec<Operation> = (0..1000).map(numbered).collect();
    let replies = client.run(&list).unwrap();
    assert_eq!(replies, (0..1000).map(reply_to).collect::<Vec<Reply>>());
    assert_eq!(log.borrow().numbers, (0..1000).collect::<Vec<u32>>());
}

#[test]
fn an_error_counts_operations_of_the_list_and_not_of_the_frame() {
    let (wire, log, _) = wire();
    let mut client = client(wire);
    let mut list: Vec<Operation> = (0..1000).map(numbered).collect();
    list[777] = Operation::Transfer(FAILS.to_vec());
    match client.run(&list) {
        Err(BusError::Failed { operation: 777, why: Why::PollTimedOut { last: 0xEE } }) => {}
        other => panic!("{other:?}"),
    }
    assert_eq!(log.borrow().numbers, (0..777).collect::<Vec<u32>>());
}

#[test]
fn lists_after_a_failed_one_are_not_begun_and_later_ones_are() {
    let (wire, log, _) = wire();
    let mut client = client(wire);
    let tickets: Vec<Ticket> = [numbered(1), Operation::Transfer(FAILS.to_vec()), numbered(2), numbered(3)]
        .into_iter()
        .map(|operation| client.submit(&[operation]).unwrap())
        .collect();
    assert_eq!(client.collect(tickets[0]).unwrap(), [reply_to(1)]);
    assert!(matches!(client.collect(tickets[1]), Err(BusError::Failed { operation: 0, .. })));
    assert!(matches!(client.collect(tickets[2]), Err(BusError::NotBegun)));
    let fresh = client.submit(&[numbered(4)]).unwrap();
    assert!(matches!(client.collect(tickets[3]), Err(BusError::NotBegun)));
    assert_eq!(client.collect(fresh).unwrap(), [reply_to(4)]);
    assert_eq!(log.borrow().numbers, [1, 4]);
}

#[test]
fn a_list_submitted_before_the_failure_is_known_to_the_caller_is_not_begun() {
    let (wire, log, _) = wire();
    let mut client = client(wire);
    let failing = client.submit(&[Operation::Transfer(FAILS.to_vec())]).unwrap();
    // Far more than the window: the client has seen the failure itself by then.
    let tickets: Vec<Ticket> = (0..20).map(|number| client.submit(&[numbered(number)]).unwrap()).collect();
    assert!(matches!(client.collect(failing), Err(BusError::Failed { .. })));
    for ticket in tickets {
        assert!(matches!(client.collect(ticket), Err(BusError::NotBegun)));
    }
    assert!(log.borrow().numbers.is_empty());
    assert_eq!(client.run(&[numbered(50)]).unwrap(), [reply_to(50)]);
}

#[test]
fn the_way_out_works_with_tickets_left_uncollected() {
    let (wire, log, _) = wire();
    let mut client = client(wire);
    let failing = client.submit(&[Operation::Transfer(FAILS.to_vec())]).unwrap();
    for number in 0..8 {
        client.submit(&[numbered(number)]).unwrap();
    }
    assert!(matches!(client.collect(failing), Err(BusError::Failed { .. })));
    assert_eq!(client.run(&[numbered(99)]).unwrap(), [reply_to(99)]);
    assert_eq!(log.borrow().numbers, [99]);
}

#[test]
fn a_failed_list_that_nobody_collects_shows_at_the_next_one() {
    let (wire, log, _) = wire();
    let mut client = client(wire);
    client.submit(&[Operation::Transfer(FAILS.to_vec())]).unwrap();
    assert!(matches!(client.run(&[numbered(1)]), Err(BusError::NotBegun)));
    assert_eq!(client.run(&[numbered(2)]).unwrap(), [reply_to(2)]);
    assert_eq!(log.borrow().numbers, [2]);
}

#[test]
fn an_operation_too_large_for_the_bridge_ends_the_list_there() {
    let (wire, log, _) = wire();
    let mut client = client(wire);
    let list = [numbered(1), Operation::Transfer(vec![0; 257]), numbered(2)];
    let ticket = client.submit(&list).unwrap();
    let after = client.submit(&[numbered(3)]).unwrap();
    match client.collect(ticket) {
        Err(BusError::Failed { operation: 1, why: Why::BadOperation }) => {}
        other => panic!("{other:?}"),
    }
    assert!(matches!(client.collect(after), Err(BusError::NotBegun)));
    assert_eq!(client.run(&[numbered(4)]).unwrap(), [reply_to(4)]);
    assert_eq!(log.borrow().numbers, [1, 4]);
}

#[test]
fn the_largest_block_goes_through() {
    let (wire, _, _) = wire();
    let mut client = client(wire);
    assert_eq!(client.run(&[Operation::Transfer(vec![1; 256])]).unwrap(), [Reply::Bytes(vec![0xFE; 256])]);
    assert_eq!(client.run(&[block(128)]).unwrap(), [Reply::Done]);
}

#[test]
fn sequence_numbers_wrap() {
    let (wire, log, _) = wire();
    let mut client = client(wire);
    for number in 0..700 {
        assert_eq!(client.run(&[numbered(number)]).unwrap(), [reply_to(number)]);
    }
    assert_eq!(log.borrow().numbers.len(), 700);
}

/// 40 lists that each take the bridge 10 ms and the wire about 5.7 ms.
fn pages(client: &mut dyn Bus, in_flight: usize) {
    let list = [block(128), Operation::Delay(Duration::from_micros(10_000 - 128 * 64))];
    let mut tickets = Vec::new();
    for _ in 0..40 {
        tickets.push(client.submit(&list).unwrap());
        if tickets.len() == in_flight {
            client.collect(tickets.remove(0)).unwrap();
        }
    }
    tickets.into_iter().for_each(|ticket| drop(client.collect(ticket).unwrap()));
}

#[test]
fn the_next_list_travels_while_the_bridge_works() {
    let (wire, _, clock) = wire();
    let mut client = client(wire);
    let ((), one_by_one) = time_of(&clock, || pages(&mut client, 1));
    let ((), overlapped) = time_of(&clock, || pages(&mut client, 3));
    assert!(one_by_one > Duration::from_millis(40 * 15), "{one_by_one:?}");
    // The bridge never waits: its own time, and the first list's way.
    assert!(overlapped < Duration::from_millis(40 * 10 + 8), "{overlapped:?}");
}

#[test]
fn more_lists_than_the_window_can_be_submitted_before_any_is_collected() {
    let (wire, log, _) = wire();
    let mut client = client(wire);
    let tickets: Vec<Ticket> = (0..100).map(|number| client.submit(&[numbered(number)]).unwrap()).collect();
    for (number, ticket) in (0..).zip(tickets) {
        assert_eq!(client.collect(ticket).unwrap(), [reply_to(number)]);
    }
    assert_eq!(log.borrow().numbers, (0..100).collect::<Vec<u32>>());
}

#[test]
fn long_work_is_waited_for() {
    let (wire, _, clock) = wire();
    let mut client = client(wire);
    let (result, took) = time_of(&clock, || client.run(&[Operation::Delay(Duration::from_secs(300)), numbered(1)]));
    assert_eq!(result.unwrap(), [Reply::Done, reply_to(1)]);
    assert!(took < Duration::from_millis(300_100), "{took:?}");
}

#[test]
fn a_new_host_stops_the_old_ones_list_and_finds_the_board_released() {
    let log = SharedLog::default();
    let (wire, clock) = wire_to(super::bridges::Resetting::at(farrier::time::Moment(Duration::MAX), log.clone()));
    let wire = std::rc::Rc::new(std::cell::RefCell::new(wire));
    let mut first = client(super::wires::Lent(wire.clone()));
    let slow = [Operation::Delay(Duration::from_millis(50)), numbered(1), numbered(2)];
    first.submit(&slow).unwrap();
    clock.wait_until(clock.now().plus(Duration::from_millis(20)));
    let released = log.borrow().released.len();
    let mut second = client(super::wires::Lent(wire));
    assert_eq!(second.run(&[numbered(3)]).unwrap(), [reply_to(3)]);
    assert_eq!(log.borrow().numbers, [3]);
    assert_eq!(log.borrow().released.len(), released + 1);
}
