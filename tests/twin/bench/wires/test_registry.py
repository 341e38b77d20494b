"""Publishing a simulated bench."""

from __future__ import annotations

import gc

import serial

from hil.twin.wires import registry


def test_a_bench_has_one_url_and_benches_have_different_ones(make_world) -> None:
    (one, _), (two, _) = make_world(), make_world()
    assert registry.publish(one) == registry.publish(one)
    assert registry.publish(one) != registry.publish(two)
    assert registry.publish(one).startswith("twin://")
    assert serial.protocol_handler_packages.count(registry.PACKAGE) == 1


def test_a_bench_nobody_holds_is_gone(make_world) -> None:
    world, _ = make_world()
    name = registry.publish(world).split("/")[2]
    assert registry.find(name) is world
    del world, _
    gc.collect()
    assert registry.find(name) is None
