"""What is told to others: message models, the MQTT client, the local broker, the contract."""
