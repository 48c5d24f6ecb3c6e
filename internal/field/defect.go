package field

import (
	"net/url"

	"meterwright/method"
)

// defectPage records something wrong, for its owner.
type defectPage struct {
	visitFrame
	Given      url.Values
	Owners     []answer
	Categories []answer
}

func (h *Handler) defect(c *call) {
	p := defectPage{visitFrame: h.visitFrame(c, "field.defect.title"), Given: c.given}
	for _, o := range method.Owners() {
		p.Owners = append(p.Owners, answer{"owner", string(o), p.lang.Owner(o)})
	}
	p.Categories = []answer{{"category", "", p.Say("field.defect.no-category")}}
	for _, x := range h.opts.Pack.Categories() {
		p.Categories = append(p.Categories, answer{"category", x.Scheme + "/" + x.Code, p.Say("field.capital", "words", p.lang.Category(h.opts.Pack.Schemes, x.Scheme, x.Code))})
	}
	c.write(p.Page())
}

func (p defectPage) chosen(a answer) bool {
	return p.Given.Has(a.Name) && p.Given.Get(a.Name) == a.Value
}
