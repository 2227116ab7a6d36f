package outlook

// Ledger keeps forecasts until their time has come and scores them.
type Ledger struct{}
