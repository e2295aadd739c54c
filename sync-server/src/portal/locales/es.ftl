# Portal del cliente, español. Escrito por los autores, todavía sin revisar por un traductor.
title = Registro del tratamiento de árboles
for-client = Para { $client }
season = Temporada { $season }
only-signed = Esta página muestra las jornadas que { $company } ha revisado y aprobado. No cambia nada y no necesita cuenta.
nothing-yet = Todavía no se ha aprobado ninguna jornada. Vuelva más tarde.
done = Lo que se hizo
trees-treated = { $count ->
    [one] { $count } árbol tratado
   *[other] { $count } árboles tratados
}
trees-not = { $count ->
    [one] { $count } árbol examinado y no tratado
   *[other] { $count } árboles examinados y no tratados
}
days-signed = { $count ->
    [one] { $count } jornada aprobada
   *[other] { $count } jornadas aprobadas
}
product-in = { $litres } litros de producto inyectados
list = Árbol por árbol
tag = Árbol
species = Especie
diameter = Diámetro
day = Día
crew = Equipo
by = Aplicado por
supervised = supervisado por { $name }
licence = Licencia { $number }
name-erased = nombre borrado ({ $id })
product = Producto
registration = Registro { $number }
lot = Lote
amount = Cantidad
why-not = Motivo
not-treated-list = Árboles no tratados
unknown = desconocido
cautions = Precauciones
caution-first = La etiqueta del producto y la ley van primero. En caso de duda, pregunte a { $company } antes de fiarse de esta página.
caution-person = Si el producto tocó la piel o los ojos de alguien o fue ingerido, busque ayuda médica de inmediato y muestre el nombre del producto y su número de registro, más abajo. El producto bajo la piel es una urgencia hospitalaria aunque no duela.
caution-harvest-never = La etiqueta de { $product } no permite su uso en árboles cuya savia, frutos, nueces u hojas se consumen. No coseche nada de los árboles tratados.
caution-harvest-ask = No coseche savia, frutos, nueces ni hojas de un árbol tratado con { $product } antes de que { $company } le diga lo que dice su etiqueta.
caution-bees = La etiqueta de { $product } no permite el tratamiento antes de la floración ni durante ella, para proteger a las abejas.
caution-felling = La etiqueta de { $product } pide { $days } días entre el tratamiento y la tala.
caution-holes = No toque los orificios cerrados al pie del tronco, y mantenga alejados a niños y animales el día del tratamiento.
caution-wood = Antes de talar, triturar o compostar un árbol tratado, pregunte a { $company }.
label-says = En palabras de la etiqueta
first-aid = Primeros auxilios, en palabras de la etiqueta
products = Productos usados
ingredients = Ingredientes activos
map = Mapa
map-words = La lista de abajo dice lo mismo en palabras.
treated = tratado
not-treated = no tratado
left = nada aprobado todavía
stop = por resolver
without-place = sin posición
provisional = Provisional
provisional-text = Trabajo que todavía no está aprobado. Aún puede cambiar; figura aquí porque la ley o un médico pueden necesitarlo el mismo día.
provisional-day = { $day }, equipo { $crew }: { $product }, registro { $number }
canopies = Copas, antes y ahora
canopies-text = Árboles según la parte de la copa perdida, en el último examen de cada temporada. Las cifras pequeñas dan el intervalo del 95 % de esa parte, si los árboles se parecen solo por azar.
canopies-seen = { $count } examinados
canopy-lost = Copa perdida
canopies-held = De { $count } árboles tratados en la temporada { $then } y vistos de nuevo en la temporada { $now }, { $held } están en la misma clase o en una mejor ({ $share }). Los árboles que tratar se eligieron por su estado: esto no es un ensayo.
canopies-not-again = { $count } árboles examinados en la temporada { $then } no se volvieron a ver en la temporada { $now }: retirados, muertos o no alcanzados. No cuentan en ninguna parte.
photos = Fotos
photos-text = Tomadas por el equipo en días aprobados. Lo que la cámara escribe junto a la imagen, también el lugar, se ha quitado.
photos-none = Todavía no hay fotos aprobadas de este trabajo.
photo-of = Foto del árbol { $tree }, { $day }
photos-all = { $count ->
    [one] La única foto
   *[other] Las { $count } fotos
}
photos-not = { $count ->
    [one] { $count } foto más no se puede mostrar aquí. Pregunte a { $company }.
   *[other] { $count } fotos más no se pueden mostrar aquí. Pregunte a { $company }.
}
data = Los datos
data-text = Estos archivos contienen lo que muestra esta página. Cada uno nombra el estado de los libros del que procede.
file-records = Registro de aplicaciones (CSV)
file-records-eu = Registros de aplicación con los elementos del Reglamento (UE) 2023/564 (CSV)
file-report = El informe (PDF): nombra el estado de los libros que muestra
file-map = Árboles tratados para un programa de mapas (GeoJSON)
file-package = Registros y mapa en un archivo comprimido que dice qué contiene cada columna (Data Package)
file-picture = El mapa como imagen (SVG)
verify = Comprobar una copia
verify-text = El mismo estado da siempre los mismos bytes. Compare el SHA-256 de su archivo con el de aquí; { $company } puede rehacer el archivo desde sus libros en este estado.
state = Estado de los libros
job-heads = Cabezas del libro de la obra
yard-heads = Cabezas del libro de la empresa
page-of = Página { $page } de { $pages }
previous = Anterior
next = Siguiente
link-until = Este enlace vale hasta el { $day }. Quien lo tenga puede leer esta página.
over-title = Este enlace ya no vale
over-text = Fue retirado, o su plazo ha pasado. Pida uno nuevo a la empresa que se lo dio.
language = Idioma
reason-too_small = el tallo está por debajo del diámetro mínimo de la etiqueta
reason-too_far_gone = la copa está demasiado dañada
reason-wrong_species = la etiqueta no permite la especie
reason-no_uptake = el árbol no absorbió nada en el tiempo de la etiqueta
reason-trunk_damage = el tronco está demasiado dañado para perforarlo
reason-not_reached = no se pudo alcanzar o encontrar
reason-refused = el propietario dijo que no
reason-conditions = el tiempo o el suelo no lo permitían
reason-other = otro motivo; pregúntenos
