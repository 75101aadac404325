"""Drives the live page in headless Chromium over the DevTools protocol and reports what a person would see.

usage: live_page.py CHROMIUM URL DIRECTORY

What the test has to do in between is printed as a line `do WORD` and answered with a line on standard input. The last
line is JSON. Screenshots are left in DIRECTORY.
"""
import json, sys, time

from browser_page import TILE, Page, do

chromium, url, directory = sys.argv[1:4]
report = {}
with Page(chromium, directory) as page:
    page.size(390, 844, False)
    page.call("Page.navigate", url=url)
    page.wait("document.querySelectorAll('.tile.ok').length >= 30")
    report["address"] = page.value("location.pathname + location.search")
    report["tiles"] = page.value("document.querySelectorAll('.tile').length")
    report["groups"] = page.value("[...document.querySelectorAll('main h2')].map(h => h.textContent)")

    speeds = set()
    for _ in range(30):
        speeds.add(page.value((TILE % "engine.speed_rpm") + ".querySelector('.value').textContent"))
        time.sleep(0.1)
    report["speeds"] = len(speeds)

    # A page that scrolls sideways hides numbers; a small button is missed on a bumpy road.
    report["overflow"] = []
    report["small"] = []
    for width, height in ((360, 640), (390, 844), (1024, 768), (1280, 800)):
        page.size(width, height, False)
        if page.value("document.documentElement.scrollWidth") > width:
            report["overflow"].append(width)
        clipped = page.value("[...document.querySelectorAll('button')].filter(b => b.scrollWidth > b.clientWidth).map(b => b.dataset.channel || b.textContent)")
        report["overflow"] += [f"{width}: {name}" for name in clipped]
        report["small"] += page.value("[...document.querySelectorAll('button')].filter(b => b.offsetParent && b.offsetHeight < 48).map(b => b.textContent)")
    for name, width, height, dark in (("phone-light", 390, 844, False), ("phone-dark", 390, 844, True),
                                      ("tablet-light", 1024, 768, False), ("tablet-dark", 1024, 768, True), ("narrow", 360, 640, False), ("wide", 1280, 800, False)):
        page.size(width, height, dark)
        page.shot(name)
    page.size(390, 844, False)

    report["alarms"] = page.value("[...document.querySelectorAll('#alarms li')].map(l => l.className + ': ' + l.innerText)")
    do("silence")
    page.wait("document.querySelector('#alarms .grave') && document.querySelector('#alarms').innerText.includes('kit-bus has been silent')")
    page.wait((TILE % "pack.voltage_v") + ".classList.contains('stale')")
    report["stale_age"] = page.value((TILE % "pack.voltage_v") + ".querySelector('.age').textContent")
    report["silent_alarm"] = page.value("document.querySelector('#alarms .grave').innerText")
    report["silent_port"] = page.value("[...document.querySelectorAll('#chips .silent')].map(c => c.innerText)")
    page.shot("silent-light")
    page.size(390, 844, True)
    page.shot("silent-dark")
    page.value((TILE % "pack.voltage_v") + ".scrollIntoView({block: 'center'})")
    page.shot("silent-tiles-dark")
    page.value("scrollTo(0, 0)")
    page.size(390, 844, False)
    do("speak")
    page.wait("!document.querySelector('#alarms').innerText.includes('silent')")
    report["back"] = page.wait((TILE % "pack.voltage_v") + ".className")

    page.value((TILE % "motion.wheel_speed_m_s") + ".click()")
    report["facts"] = page.value("document.getElementById('channel-dialog').innerText")
    page.shot("facts")
    page.value("document.getElementById('channel-dialog').close()")

    page.value("localStorage.setItem('who', 'TM')")
    page.value("document.getElementById('mark-now').click()")
    report["marked"] = page.wait("[...document.querySelectorAll('#said li')].map(l => l.textContent).find(t => t.includes('recorded'))")

    page.value("document.getElementById('run-button').click()")
    fields = {"run": "hl-01", "route": "harbour loop", "driver": "AB", "payload_kg": "200", "tyre_pressure_kpa": "heavy",
              "ambient_c": "−2,5", "wind_m_s": "3", "fuel_mass_before_kg": "21.35", "remarks": "damp road"}
    for name, text in fields.items():
        page.value(f"document.getElementById('start-form').elements['{name}'].value = {json.dumps(text)}")
    page.value("document.querySelector('#start-form [value=assist]').checked = true")
    page.value("document.getElementById('start-form').requestSubmit()")
    report["refused_number"] = page.wait("document.querySelector('#start-form .fault').textContent")
    page.shot("start-form")
    page.size(1024, 768, True)
    page.shot("start-form-tablet-dark")
    page.size(390, 844, False)
    page.value("document.getElementById('start-form').elements['tyre_pressure_kpa'].value = '290'")
    page.value("document.getElementById('start-form').requestSubmit()")
    report["run"] = page.wait("document.getElementById('run').textContent.startsWith('Run ') && document.getElementById('run').textContent")
    report["run_button"] = page.wait("document.getElementById('run-button').textContent === 'Stop run' && 'Stop run'")
    page.shot("running")

    do("drop")
    page.wait("document.body.classList.contains('offline')")
    time.sleep(1)
    report["offline"] = page.value("document.getElementById('connection').textContent")
    page.value("document.getElementById('mark-text').click()")
    page.value("document.getElementById('mark-form').elements.text.value = 'bump by the slipway'")
    do("note the time")
    page.value("document.getElementById('mark-form').requestSubmit()")
    report["waiting"] = page.wait("document.querySelector('#said .waits') && document.querySelector('#said .waits').textContent")
    page.shot("offline")
    page.value("scrollTo(0, 1e6)")
    page.shot("offline-end")
    page.value("scrollTo(0, 0)")
    do("restore")
    page.wait("!document.body.classList.contains('offline')")
    report["sent"] = page.wait("!document.querySelector('#said .waits') && [...document.querySelectorAll('#said li')].map(l => l.textContent).find(t => t.includes('slipway'))")

    page.value("document.getElementById('run-button').click()")
    page.value("document.getElementById('stop-form').elements.fuel_mass_after_kg.value = '20,91'")
    page.shot("stop-form")
    page.value("document.getElementById('stop-form').requestSubmit()")
    page.wait("document.getElementById('run').textContent === 'No run'")
    report["complaints"] = page.complaints
    print(json.dumps(report), flush=True)
