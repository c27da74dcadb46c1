"""The invented household of `./run demo`: its weather, its water, its sensor nodes and a broker for them.

All of it is made up; no place or person of this name is meant.
It speaks to the daemon as a real household would: by MQTT.
"""
