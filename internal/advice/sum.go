package advice

import (
	"crypto/sha256"
	"encoding/hex"
	"encoding/json/jsontext"
	json "encoding/json/v2"
	"fmt"

	"meterwright/instrument"
	"meterwright/site"
)

// tables is what the model's hash is taken over: everything in it that is a number or a word and
// could be otherwise in another edition.
type tables struct {
	Parameters []site.Parameter   `json:"parameters"`
	Traits     []instrument.Trait `json:"traits"`
	Departures []site.Departure   `json:"departures"`
}

func modelTables(departures []site.Departure) tables {
	return tables{site.Parameters(), instrument.AllTraits(), departures}
}

// sum is the SHA-256 of the RFC 8785 form of a value, in hex.
func sum(v any) (string, error) {
	b, err := json.Marshal(v, json.Deterministic(true))
	if err != nil {
		return "", fmt.Errorf("hash of the model: %w", err)
	}
	text := jsontext.Value(b)
	if err := text.Canonicalize(); err != nil {
		return "", fmt.Errorf("hash of the model: %w", err)
	}
	h := sha256.Sum256(text)
	return hex.EncodeToString(h[:]), nil
}
