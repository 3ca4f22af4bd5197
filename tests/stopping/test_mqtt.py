"""Against a real mosquitto: a stop is confirmed, state is retained, death is told by the broker."""

import json
import os
import signal
import subprocess
import sys

import pytest
from patience import wait_for

from watcher.stopping import Announcer, Broker, MqttMessage, perform

TOPIC = "workshop/left"


@pytest.fixture
def broker(mosquitto):
    return Broker("127.0.0.1", mosquitto.port, "me", "s3cret")


def test_a_stop_is_confirmed_by_the_broker_and_heard(broker, heard):
    message = MqttMessage(broker, "workshop/left/stop", "now")
    outcome = perform(message, 5)
    assert outcome.ok, outcome
    wait_for(lambda: ("workshop/left/stop", "now", False) in heard)
    assert "s3cret" not in repr(message) + message.shown()


def test_a_stop_with_a_false_password_or_no_broker_fails(broker, mosquitto):
    stranger = Broker("127.0.0.1", mosquitto.port, "me", "false")
    refused = perform(MqttMessage(stranger, TOPIC, "x"), 5)
    assert not refused.ok
    assert "refuses" in refused.detail
    mosquitto.stop()
    gone = perform(MqttMessage(broker, TOPIC, "x"), 5)
    assert not gone.ok
    assert "can't be reached" in gone.detail


def test_the_state_is_retained_and_told_only_where_it_changed(broker, heard):
    announcer = Announcer(broker, TOPIC)
    announcer.tell({"advice": "carry on"})
    wait_for(lambda: heard)
    announcer.tell({"advice": "carry on"})
    announcer.tell({"advice": "stop", "sentence": "Stop the print."})
    wait_for(lambda: len(heard) >= 2)
    announcer.close()
    wait_for(lambda: len(heard) >= 3)
    told = [json.loads(payload) for _, payload, _ in heard]
    assert [t.get("advice") or t["watch"] for t in told] == ["carry on", "stop", "ended"]


def test_who_comes_later_hears_the_state(broker, request):
    announcer = Announcer(broker, TOPIC)
    announcer.tell({"advice": "stop"})
    wait_for(lambda: announcer.connected)
    late = request.getfixturevalue("heard")
    wait_for(lambda: late)
    assert late[0] == (TOPIC, '{"advice": "stop"}', True)
    announcer.close()


WATCH = """
import sys, time
from watcher.stopping import Announcer, Broker
announcer = Announcer(Broker("127.0.0.1", int(sys.argv[1]), "me", "s3cret"), "workshop/left")
announcer.tell({"advice": "carry on"})
time.sleep(60)
"""


def test_the_broker_tells_the_death_of_a_watch(mosquitto, heard):
    process = subprocess.Popen([sys.executable, "-c", WATCH, str(mosquitto.port)])
    try:
        wait_for(lambda: heard)
        os.kill(process.pid, signal.SIGKILL)
        wait_for(lambda: json.loads(heard[-1][1]) == {"watch": "gone"})
    finally:
        process.kill()
        process.wait()


def test_a_broker_that_comes_back_is_told_the_newest_state(broker, mosquitto, heard):
    announcer = Announcer(broker, TOPIC)
    announcer.tell({"advice": "carry on"})
    wait_for(lambda: heard)
    mosquitto.stop()
    wait_for(lambda: not announcer.connected)
    announcer.tell({"advice": "stop"})
    mosquitto.start()
    wait_for(lambda: heard[-1][1] == '{"advice": "stop"}', 30)
    announcer.close()
