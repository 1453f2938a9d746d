package serialport

// PollInterval is how often a blocked Read looks whether it is to end.
const PollInterval = pollInterval
