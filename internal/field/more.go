package field

// morePage leads to everything beside the step in turn.
type morePage struct {
	visitFrame
	Groups []wayGroup
}

type wayGroup struct {
	Head string
	Ways []wayOn
}

// moreGroups is what the page leads to, group by group; reading aloud, and what it may mean, only where there is something.
var moreGroups = []struct {
	name  string
	pages []string
}{
	{"look", []string{"aloud", "story", "untested", "means"}},
	{"record", []string{"photo", "defect", "told", "dependant", "note"}},
	{"work", []string{"prove", "take", "wear", "acts", "back"}},
	{"leave", []string{"leaving", "handover", "end"}},
}

func (h *Handler) more(c *call) {
	p := morePage{visitFrame: h.visitFrame(c, "field.more.title")}
	for _, g := range moreGroups {
		group := wayGroup{Head: p.Say("field.more." + g.name)}
		for _, name := range g.pages {
			left := name == "means" && len(c.file.Visit.Account().Advice) == 0 || name == "aloud" && len(c.file.upToAct()) == 0
			if !left {
				group.Ways = append(group.Ways, wayOn{Words: p.Say("field.more.to." + name), To: p.URL + "/" + name})
			}
		}
		p.Groups = append(p.Groups, group)
	}
	c.write(p.Page())
}
