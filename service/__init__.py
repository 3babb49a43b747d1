"""The room's log over the measuring library: a service for growers' phones and cameras."""
