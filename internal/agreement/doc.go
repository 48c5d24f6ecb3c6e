// Package agreement holds the shipped methods to the model of a service position.
//
// A method says what each test should show; the model says what it would. The
// tests of this package walk every shipped method through healthy positions of
// every arrangement and have each indication judged as a visit judges it. They
// list the readings at which a healthy position can look otherwise, and what each
// step can catch at all. There is nothing else here.
package agreement
