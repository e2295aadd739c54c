# L'application de terrain en français.

## Cadre
back = Retour
ways = Écrans
change = Changer
undo = Annuler
more = Plus
yes = Oui
no = Non
note = Note
mis-tap = appui par erreur
undone = Annulé : rayé, mais toujours lisible.
nothing-to-undo = Rien à annuler.
way-today = Jour
way-find = Arbres
way-board = En cours
way-kit = Kit
way-close = Fin du jour
unsent-short = { $count } à envoyer depuis { $since }
all-sent-short = Tout envoyé
behind = La dernière entrée est gardée. L'écran montre encore ce qui était avant elle et suit dans un instant.
plan-behind = Le plan suit dans un instant : les livres sont lus d'abord.

title-join = Rejoindre
title-who = Qui travaille
title-today = Aujourd'hui
title-find = Trouver un arbre
title-new = Nouvel arbre
title-tree = Arbre { $tag }
title-measure = Mesurer { $tag }
title-look = État de { $tag }
title-not = Laisser { $tag }
title-plan = Plan { $tag }
title-finish = Terminer { $tag }
title-board = En traitement
title-kit = Kit
title-fill = Remplir le kit
title-move = Mouvement de produit
title-close = Fin du jour
title-unsent = Échange
title-incident = Incident
title-label = Premiers secours et étiquette
title-settings = Réglages

## Rejoindre
join-lead = Tapez le code à usage unique donné par le bureau.
join-code = Code
join-hint = { $digits } chiffres ; les espaces ne comptent pas.
join-button = Rejoindre
join-other-server = Autre serveur
join-address = Adresse
join-address-hint = Seulement si le bureau le dit ; sinon l'adresse d'où vient cette application.
join-install = Ajoutez d'abord cette application à l'écran d'accueil et ouvrez-la de là : certains téléphones séparent le stockage de l'application de celui du navigateur.
joined-as = Cet appareil est { $name } de { $company }.
root-key = À comparer avec le bureau : { $print }
language = Langue
no-books = Les livres du bureau ne sont pas encore ici.
which-job = Quel chantier ?
which-kit = Quel kit ?
who-works = Qui utilise cet appareil ?
missing-crew = Cet appareil n'est d'aucune équipe : demandez au bureau.
missing-person = Choisissez qui utilise cet appareil.
missing-kit = Choisissez le kit.
missing-fill = Aucun remplissage de ce kit n'est noté.
missing-label = Le lot du kit n'a pas d'étiquette ici : échangez, ou demandez au bureau.
missing-purpose = L'étiquette a plusieurs usages : choisissez-en un.

## Réglages
look = Affichage
look-day = Jour
look-sun = Plein soleil
look-night = Nuit
units = Unités
units-metric = cm, m, °C
units-us = in, ft, °F
units-hint = Le produit reste en mL, comme sur l'étiquette. Le dessin des trous reste en cm.
change-who = Personne, kit et chantier
storage-asking = Demande de la place au navigateur …

## Aujourd'hui
next = À faire
next-overdue = Arbre { $tag } : le temps est passé
next-overdue-why = Pas d'absorption dans le temps de l'étiquette. Arrêtez, récupérez le produit, notez-le. N'augmentez jamais la pression.
next-missing-crew = Demander au bureau
next-missing-person = Choisir qui travaille
next-missing-kit = Choisir le kit
next-missing-fill = Remplir le kit
next-missing-label = Remplir le kit
next-missing-purpose = Choisir l'usage
next-charge = Charger l'arbre { $tag }
next-finish = Attendre l'arbre { $tag }
next-tree = Arbre { $tag }
next-list = Noter le premier arbre
next-close = Terminer le jour
next-find = Trouver un arbre
count-treated = Traités
count-left = Restants
count-not = Non traités
of-the-mix = du mélange
in-product = Soit { $volume } mL de produit.
in-brackets-product = {" "}(en produit)
sums-of-product = Les sommes sont en produit ; ce qui se tape ci-dessous est du mélange.
volumes-of-mix = Les volumes sont ici ceux du mélange, comme le montre la graduation.
volumes-of-product = Les volumes sont ici ceux du produit, non du mélange.
in-kit = Dans le kit
charges-left = Charges restantes
first-aid = Premiers secours
log-incident = Noter un incident
exchange = Échange
office-asks = Le bureau demande
your-answer = Réponse
send-answer = Répondre
answered = Répondu.
say-answer = Écrivez d'abord quelque chose.

## Arbres
find-tag = Plaque
new-tree = Nouvel arbre
place-known = Le plus proche d'abord ; position à { $accuracy } près.
place-unknown = Position encore inconnue : arbres par plaque.
more-trees = { $count ->
    [one] Encore un : tapez davantage de la plaque.
   *[other] Encore { $count } : tapez davantage de la plaque.
}
no-such-tree = Aucun arbre semblable dans ce chantier.
state-treated = traité
state-not = non traité
state-left = à faire
state-open = en traitement
may-be-listed = Est-ce l'un de ceux-ci ?
species = Espèce
species-unknown = espèce inconnue
tag = Plaque
tag-hint = Comme elle est sur l'arbre.
list-tree = Le noter
other-species = Autre espèce
other-species-hint = Code OEPP, par exemple FRXAM.
stems = Tiges
stems-hint = Combien, s'il fourche sous la hauteur de poitrine.
listed = Arbre { $tag } noté.
tag-taken = La plaque { $tag } est déjà sur un arbre : relisez-la.
say-tag = Tapez la plaque.
say-stems = Combien de tiges ? Un nombre entier.
stem = Tige
stem-is = Tige { $stem }
stem-of = Tige { $stem } sur { $of }
diameter = Diamètre
not-measured = non mesuré
measure = Mesurer
measure-again = Mesurer encore
plan = Plan
look-at = État
not-treat = Ne pas traiter
add-note = Ajouter une note
log-note = Noter
note-logged = Note enregistrée.
treated-by = TRAITÉ le { $day } par { $crew } : tige { $stem }, { $count ->
    [one] un trou
   *[other] { $count } trous
}, { $volume } mL de produit.
decided-against = Une équipe a décidé de ne pas traiter cet arbre.

## Mesurer
breast-height = À { $height } du sol.
reading = Lecture
what-measured = Que montre le ruban ?
girth = Circonférence
unit = Unité
log-diameter = Noter
more-measures = Écorce, bande de perçage, pente
bark = Épaisseur d'écorce
bark-hint = mm, ou pouces si le ruban est en pouces.
band-low = Circonférence au bas de la bande
band-high = Circonférence au haut de la bande
datum = Hauteur de poitrine prise depuis
datum-level = terrain plat
datum-uphill = côté amont
datum-mid = milieu de la pente
measured = Diamètre { $diameter }.
say-what-measured = Circonférence ou diamètre ?
say-unit = Quelle unité ?
say-reading = Tapez ce que montre le ruban.
canopy = Couronne perdue (%)
canopy-hint = 0 si elle est pleine.
bloom = Floraison
bloom-none = Aucune
bloom-before = Bientôt
bloom-in = En fleur
bloom-after = Passée
food = Mange-t-on sa sève, ses fruits ou ses feuilles ?
soil = Sol
soil-dry = Sec
soil-moist = Humide
soil-saturated = Saturé
soil-temperature = Température du sol
air = Air
as-earlier-today = Comme plus tôt aujourd'hui : changez si cela a changé.
log-condition = Noter
condition-logged = État noté.
damage = Dommage au tronc
damage-what = Qu'est-ce ?
damage-wound = Blessure
damage-canker = Chancre
damage-included-bark = Écorce incluse
damage-fold = Pli
damage-earlier-hole = Trou ancien
damage-from = Commence à
damage-to = Finit à
damage-hint = Autour du tronc, dans le sens horaire depuis la marque, vu d'en haut.
water = Distance à l'eau libre ou à un puits
pest = Ravageur vu
pest-hint = Code OEPP.
felling = Jour prévu d'abattage
metal = Métal dans le bois
metal-hint = quoi et où, pour qui perce
say-day = Un jour s'écrit AAAA-MM-JJ.
say-arc = Où commence et finit le dommage ?
why-not = Pourquoi n'est-il pas traité ?
not-too-small = Trop petit
not-too-far-gone = Trop atteint
not-wrong-species = Espèce absente de l'étiquette
not-no-uptake = Pas d'absorption
not-trunk-damage = Tronc trop abîmé
not-not-reached = Non atteint ou introuvable
not-refused = Refus du propriétaire
not-conditions = Temps ou sol
not-other = Autre chose
log-not = Noter
say-reason = Choisissez une raison.
say-other = Dites dans la note quoi d'autre.
not-treated-logged = Arbre { $tag } : non traité.

## Plan
do-not-treat = Ne pas traiter
read-before = À lire avant le premier trou
label-says = L'étiquette dit
have-read = J'ai lu ceci
read-first = Lisez d'abord les précautions de l'étiquette.
stopped = Quelque chose empêche ce traitement : voir plus haut.
measure-first = Mesurez d'abord la tige.
begin = Commencer à percer
label-decides = L'étiquette et la loi locale décident ; un applicateur certifié traite ou surveille.
handling = À surveiller
dose-is = { $total } mL. Habituel { $usual } mL ; l'étiquette permet { $least } à { $most } mL.
picture-title = Arbre { $tag }, tige { $stem }
holes = Trous
hole = Trou
arc = Autour
height = Hauteur

## Traiter
board-empty = Aucun arbre n'est en traitement.
mind = À surveiller
begun-at = Commencé à { $at }.
containers-on = { $count ->
    [one] Le récipient est posé
   *[other] Les { $count } récipients sont posés
}
not-begun = Finalement pas commencé
cancel-too-late = Des récipients étaient posés : notez ce qui est entré.
on-since = Posés depuis { $at }.
on-since-limit = Posés depuis { $at } ; l'étiquette donne { $minutes ->
    [one] { $minutes } minute
   *[other] { $minutes } minutes
}.
hold-after = Laissez chacun { $seconds ->
    [one] { $seconds } seconde
   *[other] { $seconds } secondes
} après qu'il s'est vidé.
uptake-over = Le temps de l'étiquette est passé.
finish = Retirer et noter
not-on-yet = Ils ne sont pas encore posés
not-open = Cette tige n'est pas en traitement.
not-on = Les récipients n'ont pas été notés comme posés.
which-differ = Touchez chaque trou où quelque chose a différé.
as-planned = comme prévu
all-full-sealed = { $count ->
    [one] Plein, retiré, bouché
   *[other] Les { $count } pleins, retirés, bouchés
}
all-full-open = { $count ->
    [one] Plein, retiré, laissé ouvert
   *[other] Les { $count } pleins, retirés, laissés ouverts
}
all-full-sealed-others = { $differ } comme marqué, { $count ->
    [one] { $count } autre plein
   *[other] les { $count } autres pleins
}, tous retirés, bouchés
all-full-open-others = { $differ } comme marqué, { $count ->
    [one] { $count } autre plein
   *[other] les { $count } autres pleins
}, tous retirés, laissés ouverts
finish-hint = Touchez seulement quand tous les récipients sont retirés. « Plein » : toute sa charge est entrée.
treated-logged = Arbre { $tag } : { $volume } mL dans { $count ->
    [one] un trou
   *[other] { $count } trous
}. Noté.
hole-planned = Trou { $hole }, à { $arc } : { $charge } mL prévus.
what-differs = Qu'est-ce qui a différé ?
took-part = Pris en partie
took-nothing = Rien pris
it-leaked = A fui
took-all = Tout pris
differs-amount = Combien (mL)
differs-hint = En partie : ce qui est entré. Fuite : ce qui est sorti.
hole-closed = Ce trou est-il fermé ?
reseated = Le récipient s'est-il détaché ?
was-reseated = remis en place
sealed = Bouché
left-open = Laissé ouvert
was-sealed = bouché
was-left-open = laissé ouvert
mark-hole = Marquer
as-planned-after-all = Finalement comme prévu
hole-took = { $putin } mL entrés ; { $sealed }
hole-leaked = { $putin } mL entrés, { $leaked } mL de fuite ; { $sealed }
say-what-differs = Choisissez ce qui a différé.
say-sealed = Le trou est-il bouché ou ouvert ?
say-amount = Combien, en mL ?
more-than-charge = Plus que les { $most } mL de cette charge.

## Kit
fill-kit = Remplir
log-movement = Amorcé, renversé, rendu …
lot = Lot
nothing-filled = rien encore
fill-limit = Remplir au plus
pressure-limit = Jamais au-dessus de
pressure-band = Travailler entre
inspection-due = Contrôle avant le
relief-due = Soupape avant le
which-purpose = { $label } : pour quel usage ?
list-morning = Avant le premier arbre
list-evening = À la fin du jour
lists-hint = Les coches valent pour aujourd'hui et restent ici ; le manuel du kit et l'étiquette passent d'abord.
step-inspected = Kit et soupape : contrôlés, dates bonnes
step-read-off = Numéro d'autorisation et lot lus sur le bidon
step-under-limit = Rempli sous la limite, espace de tête laissé
step-valves-closed = Toutes les vannes fermées
step-air-set = Air réglé sous la plus basse limite, puis mis sous pression
step-disconnected = Source d'air débranchée
step-purged = Conduites purgées
step-leak-checked = Contrôle de fuite, et encore après dix minutes
step-pressure-off = Toute pression relâchée avant de desserrer quoi que ce soit
step-drained = Vidangé
step-cleaned = Nettoyé
step-rinsate = Eaux de rinçage gardées selon l'étiquette
step-empties = Emballages vides gardés selon l'étiquette
fill-lead = { $kit } : au plus { $limit } mL.
lot-read = Lot, lu sur le bidon
registration-read = Numéro d'autorisation, lu sur le bidon
read-off-hint = Lisez-le maintenant, à chaque fois.
fill-amount = Rempli (mL)
log-fill = Noter le remplissage
filled = { $volume } mL du lot { $lot } remplis.
say-lot = Tapez le numéro de lot.
say-registration = Tapez le numéro d'autorisation.
lot-unknown = Le lot { $lot } n'est pas dans la liste : relisez-le, ou demandez au bureau.
registration-differs = Le bidon dit { $read }, l'étiquette { $label } dit { $wanted }. Trouvez quel produit c'est avant de remplir.
over-fill-limit = Plus que les { $most } mL permis dans ce réservoir.
what-moved = Que s'est-il passé ?
moved-primed-or-tested = Amorcé ou essayé
moved-returned = Rendu
moved-spilled = Renversé
moved-disposed = Éliminé
moved-in-kit = Mesuré dans le kit
amount-ml = Combien (mL)
how-found = Comment le sait-on ?
found-measured = Mesuré
found-estimated = Estimé
moved = { $volume } mL notés.
say-what-moved = Choisissez ce qui s'est passé.
cautions = Précautions
registration = Autorisation
active = Substance active

## Fin du jour
already-closed = Ce jour est déjà terminé. Le terminer encore ajoute une seconde clôture.
today-sums = Aujourd'hui, cette équipe
sum-treated = Arbres traités
sum-not = Arbres non traités
sum-filled = Rempli dans le kit
sum-put-in = Mis dans les arbres
sum-leaked = Fuites aux trous
sum-primed = Amorcé, essayé
sum-returned = Rendu
sum-spilled = Renversé
sum-disposed = Éliminé
sum-should = Devrait être dans le kit
close-open = Un arbre est encore en traitement : terminez-le d'abord.
measured-in-kit = Mesuré dans { $kit } (mL)
measured-hint = Mesurez ; ne recopiez pas le chiffre ci-dessus.
measure-kit = Mesurez ce qui est dans { $kit }, ou tapez 0.
containers-out = Récipients sur les arbres
none-out = Il n'en reste aucun
say-none-out = Regardez : ne reste-t-il aucun récipient sur un arbre ?
close-day = Terminer le jour
day-closed = Jour { $day } terminé.
unsent = { $count ->
    [one] Une entrée attend depuis { $since }.
   *[other] { $count } entrées attendent depuis { $since }.
}
all-sent = Tout est au serveur du bureau.
exchanged-at = Dernier échange à { $at }.
exchange-now = Échanger maintenant
exchanging = Échange en cours …
exchanged = Échangé : { $sent ->
    [one] { $sent } ligne donnée
   *[other] { $sent } lignes données
}, { $received ->
    [one] { $received } reçue
   *[other] { $received } reçues
}.
kept-here = Rien n'est perdu : tout est gardé ici et part au prochain échange.
share-bundle = Remettre en fichier
bundle-hint = Pour un jour sans réseau : le bureau lit le fichier. Il ne contient aucun nom.
help-first = Les secours d'abord : ceux de l'étiquette, puis le médecin ou le centre antipoison.
what-happened = Que s'est-il passé ?
incident-exposure = Exposition
incident-injury = Blessure
incident-spill = Déversement
incident-bystander = Passant
incident-damage = Dégât
incident-text = Ce qui s'est passé
incident-hint = Aucun détail de santé d'une personne nommée.
incident-done = Ce qui a été fait aussitôt
incident-told = Qui a été averti, séparé par des virgules
incident-tree = Plaque de l'arbre
incident-logged = Incident noté.
say-what-happened = Dites ce qui s'est passé.
say-what-was-done = Dites ce qui a été fait aussitôt.

pressure = Pression du réservoir
pressure-hint = Lue pendant la charge ; peut rester vide.
finish-theirs = Terminer ce traitement
correct = Corriger une entrée
correct-hint = Une entrée rayée reste lisible. Seules celles de votre appareil peuvent être rayées ; les autres sont une proposition au bureau.
which-record = Laquelle est fausse ?
why-struck = Pourquoi ?
strike = Rayer
struck = Rayé, et toujours lisible.
say-which-record = Choisissez l'entrée.
say-why-struck = Dites pourquoi elle est fausse.
supervisor = Applicateur certifié responsable
supervisor-none = Personne d'autre
photo = Prendre une photo
photo-kept = Photo gardée.
photos-wait = { $count ->
    [one] Une photo attend.
   *[other] { $count } photos attendent.
}
photo-progress = Photo { $number } sur { $of }, { $percent } %
photos-line = La ligne a été coupée. Ce que le serveur en a y reste, et la suite part avec la prochaine ligne.
photos-too-large = L'une est plus grande que ce que le serveur accepte. Elle reste sur cet appareil : montrez-la au bureau.
photos-no-picture = Le serveur n'en prend pas une pour une image. Elle reste sur cet appareil : montrez-la au bureau.
photos-quota = Le serveur n'accepte plus rien de cet appareil aujourd'hui. Le reste part demain.
photos-closed = Le serveur n'en accepte pas encore une : son entrée n'y est pas, ou son chantier n'est pas ouvert à cet appareil.
photos-storage = L'appareil n'a pas pu lire l'une d'elles.
photos-refused = Le serveur n'a pas pu les prendre maintenant. Elles seront retentées.
no-signal = Pas de réseau, ou le serveur ne répond pas.
somebody-else = Quelqu'un d'autre

## Carte, lecture de codes, voix
title-map = Carte
no-places = Aucun arbre d'ici n'a encore de position.
as-list = En liste
map-title = { $count ->
    [one] Un arbre
   *[other] { $count } arbres
} à moins de { $reach }, nord en haut.
north = N
scan-tag = Lire une étiquette
scan-lot = Lire le lot
scan-live = avec la caméra
scan-stop = Arrêter la caméra
camera-refused = La caméra n'est pas permise, ou il n'y en a pas. Permettez-la dans le navigateur, prenez une photo du code, ou tapez-le.
scan-none = Aucun code trouvé sur l'image. Approchez l'appareil, sans ombre, ou tapez-le.
scan-code = Lire le code
speech = Conseils parlés
speech-off = Non
speech-on = Oui
speech-hint = Écran allumé : ce qui est dépassé et ce qui a échoué.
say-over = { $tag } : le temps de l'étiquette est écoulé. Retirez les récipients.
update-waits = Une nouvelle version de l'application est là. Elle sera prise quand toutes les fenêtres de celle-ci seront fermées ; rien à faire maintenant.
which-is-it = Aucun de ceux-ci ?
another-tree = Non, un autre arbre
may-be-this = C'est peut-être { $tag }, qui se trouve ici et est de la même espèce. Ouvrez-le ci-dessus, ou dites que c'est un autre arbre.

## Manomètre et étalonnage
gauge = Manomètre
gauge-look = Que dit-il ?
gauge-hint = Calculé au niveau de la mer ; plus haut, quelques charges de plus. Le manomètre décide.
gauge-in-band = { $gauge } est dans la plage de travail.
gauge-low = { $gauge } est sous la plage de travail : ajoutez de l'air.
gauge-high = { $gauge } est au-dessus de la plage de travail : relâchez de l'air avant de continuer.
gauge-first = Première lecture { $gauge } à { $at }. Relisez après dix minutes.
air-put-on = L'air vient d'être mis
air-on-at = Air mis à { $at }. Laissez reposer dix minutes.
air-noted = Noté. Lisez le manomètre après dix minutes, puis après dix autres.
say-gauge = Tapez ce qu'indique le manomètre.
say-air = Tapez la température de l'air.
title-calibrate = Étalonner
calibrate-lead = Chargez, et mesurez chaque charge dans une éprouvette, une à une.
container = Récipient
say-container = Choisissez le récipient.
charges-found = Charges trouvées (mL)
charges-found-hint = L'une après l'autre, séparées par des espaces : 9,8 10,1 10,0
log-it = Noter

## Modifier
title-amend = Modifier
amend-this = Modifier : { $what }
amend-hint = L'entrée telle qu'elle était reste lisible. Celle d'un autre appareil n'est qu'une proposition au bureau.
log-amendment = Noter la modification
amended = Modifié. Ce qui était écrit reste lisible.
not-to-amend = Cette entrée ne peut pas être modifiée ici : rayez-la et notez-la de nouveau.
nothing-changed = Rien n'est changé.
which-hole = Quel trou
say-which-hole = Tapez le numéro du trou.
took-ml = Absorbé (mL)
leaked-ml = Perdu (mL)
blank-stays = Laissé vide, cela reste tel quel.

## Le bureau
office-changed = Le bureau a changé
office-struck = { $what } de { $tag } : rayé. { $reason }
office-amended = { $what } de { $tag } : modifié
office-signed = La journée du { $day } est validée
kind-application = Traitement
kind-diameter = Diamètre
kind-condition = État
kind-not-treated = « Non traité »
kind-tree = Inscription

# Plusieurs kits

kits-on-truck = Kits sur le camion
kit-charges = { $count ->
    [one] { $count } charge
   *[other] { $count } charges
}
also-in-use = Aussi utilisé sur cet arbre
also-hint = Choisissez ici un second kit quand un seul pourrait ne pas suffire. Les deux doivent contenir le même produit.
apart-empty = { $kit } : aucun remplissage n'en est noté.
apart-product = { $kit } contient { $holds } ; ce traitement est avec { $wanted }. Un arbre reçoit un seul produit.
apart-charges = { $kit } donnerait d'autres charges. Terminez avec ce qui est entré, puis planifiez le reste avec lui.
apart-stops = { $kit } ne peut pas être utilisé maintenant.
title-kits = Kits pour { $tag }
another-kit = Un autre kit
kits-lead = À partir de quel trou la charge vient-elle d'un autre kit ?
kits-hint = Les trous d'avant gardent leur kit.
kit-not-now = Pas avec ce kit
from-hole = À partir du trou
set-kit = Charger de ce kit
say-which-kit = Dites quel kit.
say-from-hole = Dites à partir de quel trou.
kit-of-hole = De quel kit venait sa charge
other-product = Ce kit contient un autre produit. N'en chargez pas cet arbre. Si c'est fait, notez un incident et appelez le bureau.
holes-from = { $count ->
    [one] Trou { $holes } : { $kit }
   *[other] Trous { $holes } : { $kit }
}
