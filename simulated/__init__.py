"""An invented farm that behaves: fans, motors, supply, weather, loggers. Shares no formula code with the monitor."""
