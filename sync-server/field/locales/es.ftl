# La aplicación de campo en español.

## Marco
back = Atrás
ways = Pantallas
change = Cambiar
undo = Deshacer
more = Más
yes = Sí
no = No
note = Nota
mis-tap = toque por error
undone = Deshecho: tachado, y aún legible.
nothing-to-undo = Nada que deshacer.
way-today = Hoy
way-find = Árboles
way-board = En curso
way-kit = Kit
way-close = Fin del día
unsent-short = { $count } sin enviar desde { $since }
all-sent-short = Todo enviado
behind = Lo último anotado está guardado. La pantalla muestra aún lo de antes y se pone al día en un momento.
plan-behind = El plan llega en un momento: primero se leen los libros.

title-join = Unirse
title-who = Quién trabaja
title-today = Hoy
title-find = Buscar un árbol
title-new = Árbol nuevo
title-tree = Árbol { $tag }
title-measure = Medir { $tag }
title-look = Estado de { $tag }
title-not = Dejar { $tag }
title-plan = Plan { $tag }
title-finish = Terminar { $tag }
title-board = En tratamiento
title-kit = Kit
title-fill = Llenar el kit
title-move = Movimiento de producto
title-close = Fin del día
title-unsent = Intercambio
title-incident = Incidente
title-label = Primeros auxilios y etiqueta
title-settings = Ajustes

## Unirse
join-lead = Escriba el código de un solo uso que le dio la oficina.
join-code = Código
join-hint = { $digits } cifras; los espacios no cuentan.
join-button = Unirse
join-other-server = Otro servidor
join-address = Dirección
join-address-hint = Solo si lo dijo la oficina; si no, la dirección de donde vino esta aplicación.
join-install = Primero añada esta aplicación a la pantalla de inicio y ábrala desde allí: algunos teléfonos separan el almacenamiento de la aplicación del del navegador.
joined-as = Este aparato es { $name } de { $company }.
root-key = Compare con la oficina: { $print }
language = Idioma
no-books = Los libros de la oficina aún no están aquí.
which-job = ¿Qué trabajo?
which-kit = ¿Qué kit?
who-works = ¿Quién usa este aparato?
missing-crew = Este aparato no es de ninguna cuadrilla: pregunte a la oficina.
missing-person = Elija quién usa este aparato.
missing-kit = Elija el kit.
missing-fill = No hay ningún llenado anotado de este kit.
missing-label = El lote del kit no tiene etiqueta aquí: intercambie, o pregunte a la oficina.
missing-purpose = La etiqueta tiene varios usos: elija uno.

## Ajustes
look = Aspecto
look-day = Día
look-sun = Pleno sol
look-night = Noche
units = Unidades
units-metric = cm, m, °C
units-us = in, ft, °F
units-hint = El producto queda en mL, como en la etiqueta. El dibujo de los agujeros queda en cm.
change-who = Persona, kit y trabajo
storage-asking = Preguntando al navegador cuánto sitio hay …

## Hoy
next = Ahora
next-overdue = Árbol { $tag }: se pasó el tiempo
next-overdue-why = No absorbió en el tiempo de la etiqueta. Pare, recupere el producto, anótelo. Nunca suba la presión.
next-missing-crew = Preguntar a la oficina
next-missing-person = Elegir quién trabaja
next-missing-kit = Elegir el kit
next-missing-fill = Llenar el kit
next-missing-label = Llenar el kit
next-missing-purpose = Elegir el uso
next-charge = Cargar el árbol { $tag }
next-finish = Esperar el árbol { $tag }
next-tree = Árbol { $tag }
next-list = Anotar el primer árbol
next-close = Cerrar el día
next-find = Buscar un árbol
count-treated = Tratados
count-left = Faltan
count-not = No tratados
of-the-mix = de la mezcla
in-product = Son { $volume } mL de producto.
in-brackets-product = {" "}(en producto)
sums-of-product = Las sumas son de producto; lo que se escribe abajo es de la mezcla.
volumes-of-mix = Aquí los volúmenes son de la mezcla, como los muestra la escala.
volumes-of-product = Aquí los volúmenes son de producto, no de la mezcla.
in-kit = En el kit
charges-left = Cargas que quedan
first-aid = Primeros auxilios
log-incident = Anotar un incidente
exchange = Intercambio
office-asks = La oficina pregunta
your-answer = Respuesta
send-answer = Responder
answered = Respondido.
say-answer = Escriba algo primero.

## Árboles
find-tag = Placa
new-tree = Árbol nuevo
place-known = Primero el más cercano; posición con { $accuracy } de error.
place-unknown = Posición aún desconocida: árboles por placa.
more-trees = { $count ->
    [one] Uno más: escriba más de la placa.
   *[other] { $count } más: escriba más de la placa.
}
no-such-tree = No hay ningún árbol así en este trabajo.
state-treated = tratado
state-not = no tratado
state-left = por hacer
state-open = en tratamiento
may-be-listed = ¿Es uno de estos?
species = Especie
species-unknown = especie desconocida
tag = Placa
tag-hint = Como está en el árbol.
list-tree = Anotarlo
other-species = Otra especie
other-species-hint = Código EPPO, por ejemplo FRXAM.
stems = Troncos
stems-hint = Cuántos, si se bifurca bajo la altura del pecho.
listed = Árbol { $tag } anotado.
tag-taken = La placa { $tag } ya está en un árbol: léala otra vez.
say-tag = Escriba la placa.
say-stems = ¿Cuántos troncos? Un número entero.
stem = Tronco
stem-is = Tronco { $stem }
stem-of = Tronco { $stem } de { $of }
diameter = Diámetro
not-measured = sin medir
measure = Medir
measure-again = Medir otra vez
plan = Plan
look-at = Estado
not-treat = No tratar
add-note = Añadir una nota
log-note = Anotar
note-logged = Nota anotada.
treated-by = TRATADO el { $day } por { $crew }: tronco { $stem }, { $count ->
    [one] un agujero
   *[other] { $count } agujeros
}, { $volume } mL de producto.
decided-against = Una cuadrilla decidió no tratar este árbol.

## Medir
breast-height = A { $height } del suelo.
reading = Lectura
what-measured = ¿Qué muestra la cinta?
girth = Perímetro
unit = Unidad
log-diameter = Anotar
more-measures = Corteza, banda de perforación, pendiente
bark = Grosor de la corteza
bark-hint = mm, o pulgadas si la cinta está en pulgadas.
band-low = Perímetro abajo de la banda
band-high = Perímetro arriba de la banda
datum = Altura del pecho tomada desde
datum-level = terreno llano
datum-uphill = lado de arriba
datum-mid = mitad de la pendiente
measured = Diámetro { $diameter }.
say-what-measured = ¿Perímetro o diámetro?
say-unit = ¿Qué unidad?
say-reading = Escriba lo que muestra la cinta.
canopy = Copa perdida (%)
canopy-hint = 0 si está llena.
bloom = Floración
bloom-none = Ninguna
bloom-before = Pronto
bloom-in = En flor
bloom-after = Pasada
food = ¿Se come su savia, fruto u hojas?
soil = Suelo
soil-dry = Seco
soil-moist = Húmedo
soil-saturated = Saturado
soil-temperature = Temperatura del suelo
air = Aire
as-earlier-today = Como antes hoy: cámbielo si ha cambiado.
log-condition = Anotar
condition-logged = Estado anotado.
damage = Daño en el tronco
damage-what = ¿Qué es?
damage-wound = Herida
damage-canker = Cancro
damage-included-bark = Corteza incluida
damage-fold = Pliegue
damage-earlier-hole = Agujero anterior
damage-from = Empieza en
damage-to = Termina en
damage-hint = Alrededor del tronco, en sentido horario desde la marca, visto desde arriba.
water = Distancia a agua abierta o un pozo
pest = Plaga vista
pest-hint = Código EPPO.
felling = Día previsto de tala
metal = Metal en la madera
metal-hint = qué y dónde, para quien perfora
say-day = Un día se escribe AAAA-MM-DD.
say-arc = ¿Dónde empieza y termina el daño?
why-not = ¿Por qué no se trata?
not-too-small = Demasiado pequeño
not-too-far-gone = Demasiado mal
not-wrong-species = Especie fuera de la etiqueta
not-no-uptake = No absorbe
not-trunk-damage = Tronco demasiado dañado
not-not-reached = No alcanzado o no hallado
not-refused = El dueño se negó
not-conditions = Tiempo o suelo
not-other = Otra cosa
log-not = Anotar
say-reason = Elija una razón.
say-other = Diga en la nota qué otra cosa.
not-treated-logged = Árbol { $tag }: no tratado.

## Plan
do-not-treat = No tratar
read-before = Lea antes del primer agujero
label-says = La etiqueta dice
have-read = He leído esto
read-first = Lea primero las precauciones de la etiqueta.
stopped = Algo impide este tratamiento: vea arriba.
measure-first = Mida primero el tronco.
begin = Empezar a perforar
label-decides = La etiqueta y la ley local deciden; un aplicador con licencia trata o supervisa.
handling = Qué cuidar
dose-is = { $total } mL. Lo usual { $usual } mL; la etiqueta permite de { $least } a { $most } mL.
picture-title = Árbol { $tag }, tronco { $stem }
holes = Agujeros
hole = Agujero
arc = Alrededor
height = Altura

## Tratar
board-empty = No hay ningún árbol en tratamiento.
mind = Qué cuidar
begun-at = Empezado a las { $at }.
containers-on = { $count ->
    [one] El recipiente está puesto
   *[other] Los { $count } recipientes están puestos
}
not-begun = Al final no se empezó
cancel-too-late = Había recipientes puestos: anote lo que entró.
on-since = Puestos desde las { $at }.
on-since-limit = Puestos desde las { $at }; la etiqueta da { $minutes ->
    [one] { $minutes } minuto
   *[other] { $minutes } minutos
}.
hold-after = Deje cada uno { $seconds ->
    [one] { $seconds } segundo
   *[other] { $seconds } segundos
} después de vaciarse.
uptake-over = Se pasó el tiempo de la etiqueta.
finish = Quitar y anotar
not-on-yet = Aún no están puestos
not-open = Este tronco no está en tratamiento.
not-on = Los recipientes no se anotaron como puestos.
which-differ = Toque cada agujero donde algo fue distinto.
as-planned = como se planeó
all-full-sealed = { $count ->
    [one] Lleno, quitado, sellado
   *[other] Los { $count } llenos, quitados, sellados
}
all-full-open = { $count ->
    [one] Lleno, quitado, dejado abierto
   *[other] Los { $count } llenos, quitados, dejados abiertos
}
all-full-sealed-others = { $differ } como se marcó, { $count ->
    [one] el otro lleno
   *[other] los otros { $count } llenos
}, todos quitados, sellados
all-full-open-others = { $differ } como se marcó, { $count ->
    [one] el otro lleno
   *[other] los otros { $count } llenos
}, todos quitados, dejados abiertos
finish-hint = Toque solo cuando todos los recipientes estén quitados. «Lleno»: entró toda su carga.
treated-logged = Árbol { $tag }: { $volume } mL en { $count ->
    [one] un agujero
   *[other] { $count } agujeros
}. Anotado.
hole-planned = Agujero { $hole }, a { $arc }: { $charge } mL planeados.
what-differs = ¿Qué fue distinto?
took-part = Tomó solo parte
took-nothing = No tomó nada
it-leaked = Goteó
took-all = Tomó todo
differs-amount = Cuánto (mL)
differs-hint = Parte: lo que entró. Goteo: lo que salió.
hole-closed = ¿Está cerrado este agujero?
reseated = ¿Se soltó el recipiente?
was-reseated = puesto de nuevo
sealed = Sellado
left-open = Dejado abierto
was-sealed = sellado
was-left-open = dejado abierto
mark-hole = Marcarlo
as-planned-after-all = Al final como se planeó
hole-took = entraron { $putin } mL; { $sealed }
hole-leaked = entraron { $putin } mL, gotearon { $leaked } mL; { $sealed }
say-what-differs = Elija qué fue distinto.
say-sealed = ¿El agujero está sellado o abierto?
say-amount = ¿Cuánto, en mL?
more-than-charge = Más que los { $most } mL de esta carga.

## Kit
fill-kit = Llenar
log-movement = Cebado, derramado, devuelto …
lot = Lote
nothing-filled = nada aún
fill-limit = Llenar como máximo
pressure-limit = Nunca más de
pressure-band = Trabajar entre
inspection-due = Inspección antes del
relief-due = Válvula antes del
which-purpose = { $label }: ¿para qué uso?
list-morning = Antes del primer árbol
list-evening = Al fin del día
lists-hint = Las marcas valen para hoy y quedan aquí; el manual del kit y la etiqueta van primero.
step-inspected = Kit y válvula de alivio: inspeccionados, fechas buenas
step-read-off = Número de registro y lote leídos en el envase
step-under-limit = Llenado bajo el límite, con espacio de cabeza
step-valves-closed = Todas las válvulas cerradas
step-air-set = Aire ajustado bajo el límite más bajo, luego presurizado
step-disconnected = Fuente de aire desconectada
step-purged = Líneas purgadas
step-leak-checked = Control de fugas, y otra vez a los diez minutos
step-pressure-off = Toda la presión liberada antes de aflojar nada
step-drained = Vaciado
step-cleaned = Limpiado
step-rinsate = Agua de lavado guardada como dice la etiqueta
step-empties = Envases vacíos guardados como dice la etiqueta
fill-lead = { $kit }: como máximo { $limit } mL.
lot-read = Lote, leído en el envase
registration-read = Número de registro, leído en el envase
read-off-hint = Léalo ahora, cada vez.
fill-amount = Llenado (mL)
log-fill = Anotar el llenado
filled = { $volume } mL del lote { $lot } llenados.
say-lot = Escriba el número de lote.
say-registration = Escriba el número de registro.
lot-unknown = El lote { $lot } no está en la lista: léalo otra vez, o pregunte a la oficina.
registration-differs = El envase dice { $read }, la etiqueta { $label } dice { $wanted }. Averigüe qué producto es antes de llenar.
over-fill-limit = Más que los { $most } mL permitidos en este depósito.
what-moved = ¿Qué pasó?
moved-primed-or-tested = Cebado o probado
moved-returned = Devuelto
moved-spilled = Derramado
moved-disposed = Desechado
moved-in-kit = Medido en el kit
amount-ml = Cuánto (mL)
how-found = ¿Cómo se supo?
found-measured = Medido
found-estimated = Estimado
moved = { $volume } mL anotados.
say-what-moved = Elija qué pasó.
cautions = Precauciones
registration = Registro
active = Ingrediente activo

## Fin del día
already-closed = Este día ya está cerrado. Cerrarlo otra vez añade un segundo cierre.
today-sums = Hoy, esta cuadrilla
sum-treated = Árboles tratados
sum-not = Árboles no tratados
sum-filled = Llenado en el kit
sum-put-in = Puesto en árboles
sum-leaked = Goteado en agujeros
sum-primed = Cebado, probado
sum-returned = Devuelto
sum-spilled = Derramado
sum-disposed = Desechado
sum-should = Debería haber en el kit
close-open = Un árbol sigue en tratamiento: termínelo primero.
measured-in-kit = Medido en { $kit } (mL)
measured-hint = Mídalo; no copie la cifra de arriba.
measure-kit = Mida lo que hay en { $kit }, o escriba 0.
containers-out = Recipientes en árboles
none-out = No queda ninguno
say-none-out = Mire: ¿no queda ningún recipiente en un árbol?
close-day = Cerrar el día
day-closed = Día { $day } cerrado.
unsent = { $count ->
    [one] Una entrada espera desde las { $since }.
   *[other] { $count } entradas esperan desde las { $since }.
}
all-sent = Todo está en el servidor de la oficina.
exchanged-at = Último intercambio a las { $at }.
exchange-now = Intercambiar ahora
exchanging = Intercambiando …
exchanged = Intercambiado: { $sent ->
    [one] { $sent } línea dada
   *[other] { $sent } líneas dadas
}, { $received ->
    [one] { $received } recibida
   *[other] { $received } recibidas
}.
kept-here = No se pierde nada: todo queda aquí y va con el próximo intercambio.
share-bundle = Entregar como archivo
bundle-hint = Para un día sin señal: la oficina lee el archivo. No lleva nombres.
help-first = Primero la ayuda: los primeros auxilios de la etiqueta, luego el médico o el centro de intoxicaciones.
what-happened = ¿Qué pasó?
incident-exposure = Exposición
incident-injury = Lesión
incident-spill = Derrame
incident-bystander = Transeúnte
incident-damage = Daño
incident-text = Qué pasó
incident-hint = Sin datos de salud de una persona con nombre.
incident-done = Qué se hizo enseguida
incident-told = A quién se avisó, con comas
incident-tree = Placa del árbol
incident-logged = Incidente anotado.
say-what-happened = Diga qué pasó.
say-what-was-done = Diga qué se hizo enseguida.

pressure = Presión del depósito
pressure-hint = Leída al cargar; puede quedar vacía.
finish-theirs = Terminar este tratamiento
correct = Corregir una entrada
correct-hint = Una entrada tachada queda legible. Solo se tachan las de este aparato; las otras son una propuesta a la oficina.
which-record = ¿Cuál está mal?
why-struck = ¿Por qué?
strike = Tacharla
struck = Tachada, y aún legible.
say-which-record = Elija la entrada.
say-why-struck = Diga por qué está mal.
supervisor = Aplicador con licencia a cargo
supervisor-none = Nadie más
photo = Tomar una foto
photo-kept = Foto guardada.
photos-wait = { $count ->
    [one] Una foto espera.
   *[other] { $count } fotos esperan.
}
photo-progress = Foto { $number } de { $of }, { $percent } %
photos-line = Se cortó la línea. Lo que el servidor tiene de ellas queda allí, y lo demás sigue con la próxima línea.
photos-too-large = Una es mayor de lo que acepta el servidor. Queda en este aparato: muéstrela a la oficina.
photos-no-picture = El servidor no toma una por imagen. Queda en este aparato: muéstrela a la oficina.
photos-quota = El servidor no acepta más de este aparato hoy. Lo demás va mañana.
photos-closed = El servidor aún no acepta una: su entrada no está allí, o su trabajo no está abierto a este aparato.
photos-storage = El aparato no pudo leer una de ellas.
photos-refused = El servidor no pudo tomarlas ahora. Se intentará de nuevo.
no-signal = No hay señal, o el servidor no responde.
somebody-else = Otra persona

## Mapa, lectura de códigos, voz
title-map = Mapa
no-places = Ningún árbol de aquí tiene aún posición.
as-list = Como lista
map-title = { $count ->
    [one] Un árbol
   *[other] { $count } árboles
} a menos de { $reach }, norte arriba.
north = N
scan-tag = Leer una etiqueta
scan-lot = Leer el lote
scan-live = con la cámara
scan-stop = Parar la cámara
camera-refused = La cámara no está permitida, o no la hay. Permítala en el navegador, tome una foto del código, o escríbalo.
scan-none = No se halló ningún código en la imagen. Acerque la cámara, sin sombra, o escríbalo.
scan-code = Leer el código
speech = Avisos hablados
speech-off = No
speech-on = Sí
speech-hint = Con la pantalla encendida: lo que se pasó de tiempo y lo que falló.
say-over = { $tag }: el tiempo de la etiqueta ha terminado. Retire los recipientes.
update-waits = Hay una versión nueva de la aplicación. Se toma cuando se cierren todas las ventanas de esta; ahora no hay que hacer nada.
which-is-it = ¿Ninguno de estos?
another-tree = No, es otro árbol
may-be-this = Puede ser { $tag }, que está aquí y es de la misma especie. Ábralo arriba, o diga que es otro árbol.

## Manómetro y calibración
gauge = Manómetro
gauge-look = ¿Qué dice?
gauge-hint = Calculado al nivel del mar; más alto son unas cargas más. Decide el manómetro.
gauge-in-band = { $gauge } está dentro de la banda de trabajo.
gauge-low = { $gauge } está por debajo de la banda de trabajo: añada aire.
gauge-high = { $gauge } está por encima de la banda de trabajo: suelte aire antes de seguir.
gauge-first = Primera lectura { $gauge } a las { $at }. Lea otra vez a los diez minutos.
air-put-on = Se puso aire ahora
air-on-at = Aire puesto a las { $at }. Deje reposar diez minutos.
air-noted = Anotado. Lea el manómetro a los diez minutos, y otra vez diez después.
say-gauge = Escriba lo que marca el manómetro.
say-air = Escriba la temperatura del aire.
title-calibrate = Calibrar
calibrate-lead = Cargue, y mida cada carga en una probeta, una a una.
container = Recipiente
say-container = Elija el recipiente.
charges-found = Cargas halladas (mL)
charges-found-hint = Una tras otra con espacios: 9,8 10,1 10,0
log-it = Anotar

## Enmendar
title-amend = Enmendar
amend-this = Enmendar: { $what }
amend-hint = La entrada como estaba sigue legible. La de otro aparato es solo una propuesta a la oficina.
log-amendment = Anotar la enmienda
amended = Enmendado. Lo que estaba escrito sigue legible.
not-to-amend = Esta entrada no se puede enmendar aquí: táchela y anótela de nuevo.
nothing-changed = No cambia nada.
which-hole = Qué agujero
say-which-hole = Escriba el número del agujero.
took-ml = Tomó (mL)
leaked-ml = Perdió (mL)
blank-stays = Vacío, queda como está.

## La oficina
office-changed = La oficina cambió
office-struck = { $what } de { $tag }: tachado. { $reason }
office-amended = { $what } de { $tag }: enmendado
office-signed = El día { $day } está visado
kind-application = Tratamiento
kind-diameter = Diámetro
kind-condition = Estado
kind-not-treated = «No tratado»
kind-tree = Alta

# Varios kits

kits-on-truck = Kits en el camión
kit-charges = { $count ->
    [one] { $count } carga
   *[other] { $count } cargas
}
also-in-use = Usado también en este árbol
also-hint = Elija aquí un segundo kit cuando uno pueda no bastar. Los dos deben contener el mismo producto.
apart-empty = { $kit }: no hay llenado anotado.
apart-product = { $kit } contiene { $holds }; este tratamiento es con { $wanted }. Un árbol recibe un solo producto.
apart-charges = { $kit } daría otras cargas. Termine con lo que entró y planifique el resto con él.
apart-stops = { $kit } no se puede usar ahora.
title-kits = Kits para { $tag }
another-kit = Otro kit
kits-lead = ¿Desde qué agujero viene la carga de otro kit?
kits-hint = Los agujeros anteriores quedan con su kit.
kit-not-now = Con este kit no
from-hole = Desde el agujero
set-kit = Cargar de este kit
say-which-kit = Diga qué kit.
say-from-hole = Diga desde qué agujero.
kit-of-hole = De qué kit vino su carga
other-product = Ese kit contiene otro producto. No cargue este árbol con él. Si ya se hizo, anote un incidente y llame a la oficina.
holes-from = { $count ->
    [one] Agujero { $holes }: { $kit }
   *[other] Agujeros { $holes }: { $kit }
}
