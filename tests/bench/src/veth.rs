//! A virtual cable between two rooms.

use std::future::Future;
use std::net::{IpAddr, Ipv4Addr};
use std::os::fd::{AsFd, AsRawFd};
use std::time::{Duration, Instant};

use anyhow::Context;
use futures_util::TryStreamExt;
use rtnetlink::packet_route::link::{InfoData, InfoVeth, LinkAttribute, State};
use rtnetlink::{Handle, LinkBridge, LinkMessageBuilder, LinkUnspec, LinkVeth, RouteMessageBuilder};

use crate::room::Room;

/// The two ends of a cable: an interface name in a room each.
#[derive(Clone, Copy, Debug)]
pub struct Ends<'a> {
    pub one: (&'a Room, &'a str),
    pub other: (&'a Room, &'a str),
}

/// Lays a veth between two rooms, sets both ends up and waits for their carrier. `mtu` is the interface MTU, which
/// leaves out the Ethernet header and any tags: the longest frame with its FCS is 18 octets more. `queues` is the
/// number of receive queues and of transmit queues at each end.
pub fn lay(ends: Ends<'_>, mtu: u32, queues: u32) -> anyhow::Result<()> {
    let ((one, name), (other, peer)) = (ends.one, ends.other);
    let describe = || format!("a veth between {name} in `{}` and {peer} in `{}`", one.label(), other.label());
    let namespace = other.as_fd().as_raw_fd();
    let (name, peer) = (name.to_owned(), peer.to_owned());
    let (near, far) = (name.clone(), peer.clone());
    netlink(one, move |handle| async move {
        let queued = [LinkAttribute::NumTxQueues(queues), LinkAttribute::NumRxQueues(queues)];
        let mut far = LinkMessageBuilder::<LinkUnspec>::new().name(far).mtu(mtu).setns_by_fd(namespace);
        let mut near = LinkVeth::new(&near, "").mtu(mtu);
        for attribute in queued {
            far = far.append_extra_attribute(attribute.clone());
            near = near.append_extra_attribute(attribute);
        }
        let near = near.set_info_data(InfoData::Veth(InfoVeth::Peer(far.build())));
        Ok(handle.link().add(near.build()).execute().await?)
    })
    .with_context(|| format!("{} cannot be laid", describe()))?;
    set_up(one, &name, true)?;
    set_up(other, &peer, true)?;
    for (room, interface) in [(one, &name), (other, &peer)] {
        let until = Instant::now() + Duration::from_secs(5);
        while !is_running(room, interface)? {
            anyhow::ensure!(Instant::now() < until, "{} has no carrier", describe());
            std::thread::sleep(Duration::from_millis(2));
        }
    }
    Ok(())
}

/// Takes an end away, and the other one with it.
pub(crate) fn remove(room: &Room, interface: &str) -> anyhow::Result<()> {
    let name = interface.to_owned();
    netlink(room, move |handle| async move {
        let index = index(&handle, name).await?;
        Ok(handle.link().del(index).execute().await?)
    })
    .with_context(|| format!("{interface} in the room `{}` cannot be taken away", room.label()))
}

/// Sets an interface of a room up or down.
pub(crate) fn set_up(room: &Room, interface: &str, up: bool) -> anyhow::Result<()> {
    let name = interface.to_owned();
    room.run(move || set_up_here(&name, up)).with_context(|| format!("in the room `{}`", room.label()))
}

/// Sets an interface up or down in the namespace of the calling thread.
pub(crate) fn set_up_here(interface: &str, up: bool) -> anyhow::Result<()> {
    let name = interface.to_owned();
    netlink_here(move |handle| async move {
        let link = LinkUnspec::new_with_name(&name);
        let link = if up { link.up() } else { link.down() };
        Ok(handle.link().set(link.build()).execute().await?)
    })
    .with_context(|| {
        let state = if up { "up" } else { "down" };
        format!("{interface} cannot be set {state}")
    })
}

pub(crate) fn add_address(
    room: &Room,
    interface: &str,
    address: IpAddr,
    prefix_length: u8,
) -> anyhow::Result<()> {
    let name = interface.to_owned();
    netlink(room, move |handle| async move {
        let index = index(&handle, name).await?;
        Ok(handle.address().add(index, address, prefix_length).execute().await?)
    })
    .with_context(|| format!("{address} cannot be given to {interface} in the room `{}`", room.label()))
}

pub(crate) fn add_default_route(room: &Room, interface: &str) -> anyhow::Result<()> {
    let name = interface.to_owned();
    netlink(room, move |handle| async move {
        let index = index(&handle, name).await?;
        let route = RouteMessageBuilder::<Ipv4Addr>::new().output_interface(index).build();
        Ok(handle.route().add(route).execute().await?)
    })
    .with_context(|| format!("no default route through {interface} in the room `{}`", room.label()))
}

pub(crate) fn bridge(room: &Room, bridge: &str, member: &str) -> anyhow::Result<()> {
    let (name, port) = (bridge.to_owned(), member.to_owned());
    netlink(room, move |handle| async move {
        handle.link().add(LinkBridge::new(&name).up().build()).execute().await?;
        let master = index(&handle, name).await?;
        let port = LinkUnspec::new_with_name(&port).controller(master);
        Ok(handle.link().set(port.build()).execute().await?)
    })
    .with_context(|| format!("{member} in the room `{}` cannot be put into a bridge {bridge}", room.label()))
}

async fn index(handle: &Handle, name: String) -> anyhow::Result<u32> {
    let link = handle.link().get().match_name(name).execute().try_next().await?;
    Ok(link.context("there is no such interface")?.header.index)
}

pub(crate) fn is_running(room: &Room, interface: &str) -> anyhow::Result<bool> {
    let name = interface.to_owned();
    netlink(room, move |handle| async move {
        let link = handle.link().get().match_name(name).execute().try_next().await?;
        let attributes = link.map(|link| link.attributes).unwrap_or_default();
        Ok(attributes.iter().any(|attribute| matches!(attribute, LinkAttribute::OperState(State::Up))))
    })
}

/// Runs a conversation with the kernel's rtnetlink inside a room.
fn netlink<T, F, Talk>(room: &Room, talk: Talk) -> anyhow::Result<T>
where
    T: Send + 'static,
    F: Future<Output = anyhow::Result<T>>,
    Talk: FnOnce(Handle) -> F + Send + 'static,
{
    room.run(move || netlink_here(talk))
}

/// The same in the namespace of the calling thread.
fn netlink_here<T, F>(talk: impl FnOnce(Handle) -> F) -> anyhow::Result<T>
where
    F: Future<Output = anyhow::Result<T>>,
{
    let runtime = tokio::runtime::Builder::new_current_thread().enable_io().build()?;
    runtime.block_on(async move {
        let (connection, handle, _) = rtnetlink::new_connection()?;
        let conversation = tokio::spawn(connection);
        let result = talk(handle).await;
        conversation.abort();
        result
    })
}
