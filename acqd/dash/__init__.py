"""The live page: fed by MQTT alone, it shows several stations and can only look."""
