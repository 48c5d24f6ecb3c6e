package written

import (
	"reflect"

	"meterwright/method"
)

func (k Kind) typ() reflect.Type {
	switch k {
	case Overlay:
		return reflect.TypeFor[method.Overlay]()
	case Translation:
		return reflect.TypeFor[method.Translation]()
	}
	return reflect.TypeFor[method.Document]()
}

// JSON returns a file as the JSON that package method decodes, for checks against the
// schema. The error is a Problems.
func JSON(name string, b []byte, k Kind) ([]byte, error) {
	_, out, err := read(name, b, k.typ())
	return out, err
}
