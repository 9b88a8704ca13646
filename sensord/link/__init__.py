"""From the hub's disk to the station: outbox, SenML, MQTT, receipts, and the time of readings taken without a clock."""
